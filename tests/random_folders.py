"""Random log folders that a person would really have: every family, some missing, some half filled, with slips.

`python -m tests.random_folders 1000` takes as many through every command and paper (a few seconds each); CI loads and
reviews thirty, every fifth of them through all commands, every twentieth through all papers.
"""

from __future__ import annotations

import csv
import datetime as dt
import json
import random
import re
import sys
import tempfile
import time
from io import StringIO
from pathlib import Path
from typing import Any
from unittest import mock

import polars as pl

from pipeline.assumptions import built_in
from pipeline.progress import silent
from schemas.words import ROW_OUTCOMES
from tests.loads import week_of

TODAY = dt.date(2026, 6, 1)
# What an unknown must never be printed as. Names and notes of the folders hold none of these words.
NULLS = re.compile(r"\bNone\b|\bnan\b|\bNaN\b|\binf\b|∞|\bnull\b|not known %|\bNaT\b")
Rows = list[dict[str, object]]
SLIPS = ("7,2", "<5", ">100", "11-26", "05-Oct", "O.5", "?", "n/t", "72", "18 mg/l", "", "0", "9.5", "-3", "1e9", "ok")


class Folder:
    """One random folder; the same seed writes the same files."""

    def __init__(self, seed: int) -> None:
        self.seed, self.draw = seed, random.Random(seed)
        self.files: dict[str, str] = {}
        self.tanks: list[str] = []
        self.sites: list[str] = []
        self.filters: list[tuple[str, str]] = []

    def maybe(self, chance: float, value: object, otherwise: object = "") -> object:
        """A value, or a blank."""
        return value if self.draw.random() < chance else otherwise

    def day(self, first: int = 700, last: int = 0) -> str:
        """A day between so many days before today and so many."""
        return (TODAY - dt.timedelta(self.draw.randint(last, first))).isoformat()

    def put(self, name: str, rows: Rows, chance: float = 1.0) -> None:
        """Write a table, or leave it out; sometimes without one of its columns."""
        if not rows or self.draw.random() > chance:
            return
        columns = list(rows[0])
        if len(columns) > 4 and self.draw.random() < 0.15:
            columns.remove(self.draw.choice(columns[3:]))
        out = StringIO()
        writer = csv.DictWriter(out, columns, extrasaction="ignore", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        self.files[name] = out.getvalue()

    def build(self) -> dict[str, str]:
        """All files of the folder."""
        draw = self.draw
        settings = ['[round]\nname = "Random round (invented)"\n']
        if draw.random() < 0.3:
            settings.append("[prices]\nvisit = 40\nwater_per_m3 = 4\n[prices.media]\nA = 18\n")
        if draw.random() < 0.3:
            settings.append("[van]\npayload_kg = 400\ncontainer_l = 20\n")
        own = random.Random(f"assumptions {self.seed}")  # a draw of its own: the rest of a folder stays as it was
        if own.random() < 0.3:
            some = own.sample(built_in().records(), 8)
            told = [f"{one.name} = {own.choice((one.least, one.most)):.9f}\n" for one in some]
            settings += ["[assumptions]\n", *told]
        self.files["round.toml"] = "".join(settings)
        self.sites = [f"S{n}" for n in range(1, draw.randint(2, 4))]
        self.tanks = [f"T{n}" for n in range(1, draw.randint(2, 5))]
        self.put("sites.csv", [self.site(site) for site in self.sites])
        self.put("tanks.csv", [self.tank(tank) for tank in self.tanks])
        self.put("feeding.csv", [self.feeding() for _ in range(draw.randint(1, 3))], 0.6)
        self.put("kits.csv", self.kits(), 0.85)
        self.put("tap.csv", [self.tap() for _ in range(draw.randint(1, 4))], 0.7)
        self.book()
        for number in range(draw.choice((0, 1, 1, 2))):
            self.put(f"visits/{number}.csv", self.visits())
        self.put("services/s.csv", [self.service() for _ in range(draw.randint(1, 4))], 0.6)
        self.put("events/e.csv", [self.event() for _ in range(draw.randint(1, 4))], 0.5)
        self.put("promises.csv", [self.promise()], 0.3)
        self.put("noted.csv", [self.noted()], 0.2)
        return self.files

    def site(self, site: str) -> dict[str, object]:
        return {
            "site": site, "name": f"Site {site}", "kind": self.maybe(0.6, "school"),
            "water_supply": self.maybe(0.8, self.draw.choice(("W1", "W2"))),
            "visit_day": self.maybe(0.6, self.draw.choice(("Monday", "Wednesday"))),
            "next_visit": self.maybe(0.2, self.day(0, -20)), "report_to": self.maybe(0.3, "the office"),
        }  # fmt: skip

    def tank(self, tank: str) -> dict[str, object]:
        draw = self.draw
        gross = draw.choice((60, 120, 200, 300))
        return {
            "tank": tank, "site": draw.choice(self.sites), "name": self.maybe(0.8, f"Tank {tank}"),
            "gross_l": self.maybe(0.7, gross), "net_l": self.maybe(0.7, round(gross * 0.8)),
            "set_up": self.maybe(0.7, self.day(900, 10)), "closed": self.maybe(0.05, self.day(60)),
            "temperature_c": self.maybe(0.6, draw.choice((18, 24, 26))),
            "planting": self.maybe(0.6, draw.choice(("none", "light", "moderate", "dense"))),
            "stocking": self.maybe(0.6, draw.choice(("light", "normal", "heavy", "messy"))),
            "nitrate_ceiling": self.maybe(0.4, draw.choice((20, 40, 50))),
        }  # fmt: skip

    def feeding(self) -> dict[str, object]:
        return {
            "tank": self.draw.choice(self.tanks), "from": self.day(), "feed_g_day": round(self.draw.uniform(0.1, 4), 2),
            "protein_pct": self.maybe(0.5, 42),
        }  # fmt: skip

    def kits(self) -> Rows:
        draw = self.draw
        rows = []
        for kit in ("K1", "K2"):
            dates = {"opened": self.maybe(0.5, self.day(500)), "expires": self.maybe(0.5, self.day(100, -300))}
            for parameter, steps in (
                ("nitrate", "0|3|11|26|47|83"), ("nitrite", "0|0.2|0.7|1.9"), ("ammonia", "0|0.3|0.8|2.1"), ("ph", ""),
            ):  # fmt: skip
                if draw.random() < 0.85:
                    rows.append({
                        "kit": kit, "parameter": parameter, "basis": "NO3-N" if parameter == "nitrate" and kit == "K2" and draw.random() < 0.3 else "",
                        "steps": self.maybe(0.8, steps), **dates, "tests_left": self.maybe(0.3, draw.choice((0, 3, 40))),
                    })  # fmt: skip
        return rows or [{"kit": "K1", "parameter": "nitrate", "basis": "", "steps": "", "opened": ""}]

    def tap(self) -> dict[str, object]:
        draw = self.draw
        return {
            "water_supply": draw.choice(("W1", "W2")), "date": self.day(), "nitrate": self.maybe(0.8, draw.choice((0, 5, 26, 45))),
            "ph": self.maybe(0.5, 7.6), "kh": self.maybe(0.5, draw.choice((1, 6, 14))),
            "ammonia": self.maybe(0.4, draw.choice((0, 0.2, 0.5))),
        }  # fmt: skip

    def book(self) -> None:
        """The filter book: models with compartments, media, filters, where they are, what lies in them."""
        draw = self.draw
        models = [f"M{n}" for n in range(1, draw.randint(2, 4))]
        kinds = ("canister", "canister", "canister", "internal", "sump", "trickle", "hang-on", "air sponge")
        self.put("filter_models.csv", [
            {"model": m, "kind": draw.choice(kinds), "rated_flow_l_h": self.maybe(0.7, draw.choice((300, 700, 1200)))} for m in models
        ], 0.9)  # fmt: skip
        self.put("media.csv", [
            {"medium": "A", "stage": "biological", "quality": self.maybe(0.9, 1.0), "bulk_kg_l": self.maybe(0.8, 0.5)},
            {"medium": "B", "stage": "biological", "quality": self.maybe(0.9, 0.25), "bulk_kg_l": self.maybe(0.8, 0.7)},
            {"medium": "C", "stage": "chemical", "quality": 0, "bulk_kg_l": 0.4},
            {"medium": "F", "stage": "fine", "quality": "", "bulk_kg_l": ""},
            {"medium": "P", "stage": "coarse", "quality": "", "bulk_kg_l": ""},
        ], 0.9)  # fmt: skip
        rooms: Rows = []
        for model in models:
            for position in range(1, draw.randint(2, 6)):
                stage, medium = draw.choice(
                    (("coarse", "P"), ("fine", "F"), ("biological", "A"), ("biological", "B"), ("chemical", "C"))
                )
                rooms.append({
                    "model": model, "position": position, "compartment": f"c{position}", "stage": stage,
                    "medium": self.maybe(0.8, medium), "shape": self.maybe(0.4, "box"), "length_mm": self.maybe(0.4, 180),
                    "width_mm": self.maybe(0.4, 120), "depth_mm": self.maybe(0.6, 60), "usable_l": self.maybe(0.5, 2),
                    "loose_kg": self.maybe(0.2, 0.8),
                })  # fmt: skip
        self.put("compartments.csv", rooms, 0.85)
        self.filters = [(f"F{n}", draw.choice(models)) for n in range(1, draw.randint(2, 5))]
        self.put("filters.csv", [
            {"filter": f, "model": m, "clean_flow_l_h": self.maybe(0.6, 500), "note": self.maybe(0.1, "lid cracked")}
            for f, m in self.filters
        ], 0.9)  # fmt: skip
        self.put("placements.csv", [
            {"filter": f, "tank": draw.choice(self.tanks), "from": self.day(), "to": self.maybe(0.1, self.day(50))}
            for f, _ in self.filters if draw.random() < 0.85
        ], 0.9)  # fmt: skip
        fills: Rows = []
        for name, model in self.filters:
            for room in (r for r in rooms if r["model"] == model):
                if draw.random() < 0.8:
                    fills.append({
                        "filter": name, "compartment": room["compartment"], "layer": 1,
                        "medium": room["medium"] or draw.choice("AB"), "mass_kg": self.maybe(0.75, draw.choice((0.2, 0.5, 1.0, 2.5))),
                        "thickness_mm": self.maybe(0.3, 20), "wetted": self.maybe(0.6, self.day()), "from": self.day(),
                        "to": self.maybe(0.05, self.day(40)),
                    })  # fmt: skip
        self.put("fills.csv", fills, 0.9)

    def visits(self) -> Rows:
        draw = self.draw
        every, count = draw.choice((7, 7, 14)), draw.choice((1, 4, 10, 30))
        rows: Rows = []
        for tank in self.tanks:
            nitrate, look = draw.choice((11, 26, 47, 120)), draw.random() < 0.5
            for n in range(count):
                day = TODAY - dt.timedelta(every * (count - n) - draw.randint(0, every - 1))
                if draw.random() < 0.06:
                    continue
                nitrate = max(0.0, nitrate + draw.choice((-15, 0, 0, 5, 15)))
                typed: dict[str, object] = {
                    "ammonia": self.maybe(0.5, draw.choice((0, 0, 0, 0.3, 2.1))), "nitrite": self.maybe(0.5, draw.choice((0, 0, 0.2, 1.9))),
                    "nitrate": self.maybe(0.85, draw.choice((nitrate, 0, 3, 11, 26, 47, 83))), "ph": self.maybe(0.5, draw.choice((5.6, 6.8, 7.2, 8.1))),
                    "kh": self.maybe(0.4, draw.choice((0, 1, 4, 9))), "temperature": self.maybe(0.4, draw.choice((17, 24, 25, 30))),
                    "flow_l_h": self.maybe(0.2, draw.choice((100, 300, 450))),
                }  # fmt: skip
                if draw.random() < 0.06:
                    typed[draw.choice(list(typed))] = draw.choice(SLIPS)
                rows.append({
                    "date": day.isoformat(), "tank": tank if draw.random() > 0.01 else "Tx", "taken": self.maybe(0.2, draw.choice(("before", "after", "unknown"))),
                    **typed, "kit": self.maybe(0.7, draw.choice(("K1", "K2"))),
                    "water_changed": self.maybe(0.6, draw.choice(("30%", "40 L", "25 %", "50", "9 imp gal"))),
                    "new_water": self.maybe(0.1, draw.choice(("ro", "ro 50%", "W2"))),
                    "fish_seen": self.maybe(0.3, draw.choice((12, 12, 11, 6))), "fish_look": self.maybe(0.3, draw.choice(("well", "well", "off", "not seen"))) if look else "",
                    "by": self.maybe(0.3, draw.choice(("A", "B"))), "note": self.maybe(0.1, draw.choice(("gasping at the top", "=1+1", "<b>glass</b>"))),
                })  # fmt: skip
        return rows

    def service(self) -> dict[str, object]:
        draw = self.draw
        return {
            "date": self.day(300), "tank": self.maybe(0.8, draw.choice(self.tanks)),
            "filter": self.maybe(0.5, draw.choice(self.filters)[0] if self.filters else ""),
            "job": draw.choice(("check", "pads", "carbon in", "carbon out", "media rinsed", "impeller", "full")),
            "media_share": self.maybe(0.4, draw.choice((0.3, 1))), "rinse_water": self.maybe(0.4, draw.choice(("tank", "tap", "none"))),
            "found": self.maybe(0.5, draw.choice(("clean", "light", "heavy", "sludge"))), "flow_before": self.maybe(0.3, 200),
            "hours_stopped": self.maybe(0.2, draw.choice((1, 20))), "next_weeks": self.maybe(0.3, draw.choice((4, 8))),
        }  # fmt: skip

    def event(self) -> dict[str, object]:
        draw = self.draw
        kinds = ("fish in", "fish out", "fish died", "medication", "power cut", "overfed", "filter stopped", "other")
        return {
            "date": self.day(90), "tank": draw.choice(self.tanks), "event": draw.choice(kinds),
            "count": self.maybe(0.5, draw.choice((1, 2, 6))), "hours": self.maybe(0.3, draw.choice((2, 30))),
        }  # fmt: skip

    def promise(self) -> dict[str, object]:
        return {
            "made_on": self.day(60), "site": self.draw.choice(self.sites), "tank": self.maybe(0.6, self.draw.choice(self.tanks)),
            "promise": "bring a lid lock", "due": self.maybe(0.8, self.day(30, -20)), "done_on": self.maybe(0.2, self.day(10)),
        }  # fmt: skip

    def noted(self) -> dict[str, object]:
        return {
            "tank": self.draw.choice(self.tanks), "rule": "nitrate_over_ceiling", "until": self.day(0, -60),
            "by": "me", "why": "known",
        }  # fmt: skip


def write(seed: int, folder: Path) -> Path:
    """The random folder of a seed, on disk."""
    for name, text in Folder(seed).build().items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder


def _run(expected: tuple[int, ...], *words: object) -> str:
    """What a command prints, run in this process: an exit code as documented, no traceback, no word for a null."""
    from tests.commands import run_command

    code, text, told = run_command(*words)
    name, told = f"tankround {words[0]}", told.strip()
    if "should not" in told or "Traceback" in told:
        log = Path(str(words[1])) / ".tankround" / "tankround.log"
        raise AssertionError(f"{name}: {log.read_text()[-1500:] if log.exists() else told}")
    assert code in expected, f"{name} ends with {code}, expected {expected}: {told}"
    assert (code == 0) or told, f"{name} ends with {code} and says nothing"
    _no_nulls(name, f"{text.replace('null', '') if 'json' in words else text}\n{told}")
    return text


def _no_nulls(name: str, text: str) -> None:
    if found := NULLS.search(text):
        at = max(found.start() - 120, 0)
        raise AssertionError(f"{name} prints “{found.group()}”: …{text[at : found.end() + 60]!r}")


SOME = 2  # tanks and models of a folder that are asked about: a folder has its own seed, so all sorts come up


def through_everything(folder: Path, out: Path, commands: bool = True, papers: bool = True) -> None:
    """Check, calculate and review a folder; then, from its warehouse, every command, and every paper. An AssertionError says what is wrong."""
    from pipeline import weekly

    load = weekly.load
    loads = []

    def load_today(
        folder: Path,
        db: Path | None = None,
        today: dt.date = TODAY,
        progress: Any = silent,
        scheduler: str | None = None,
    ) -> Any:
        loads.append(load(folder, db, TODAY, progress, scheduler))
        return loads[-1]

    def open_today(folder: Path, as_of: dt.date | None = None, db: Path | None = None, **more: Any) -> Any:
        assert as_of in (None, week.as_of)
        return week  # the folder stands still, so it is opened once

    with mock.patch.object(weekly, "load", load_today):
        if commands or papers:
            week = weekly.open_week(folder, today=TODAY)
            _adds_up(loads[0].account)
        else:  # all of a load but its warehouse
            week = week_of(folder, TODAY)
            account = week.table("account")
            assert account.filter(pl.col("rows_in") != pl.sum_horizontal(ROW_OUTCOMES)).height == 0
        with mock.patch.object(weekly, "open_week", open_today):
            as_json = json.loads(_run((0,), "review", folder, "--as-of", week.as_of, "--format", "json"))
            assert sum(as_json["counts"].values()) == len(as_json["tanks"])
            _run((0,), "review", folder, "--as-of", week.as_of)
            if commands:
                _commands(folder, week)
            if papers:
                _papers(folder, out, week)


def _adds_up(account: dict[str, Any]) -> None:
    for told in (account, *account["files"]):
        assert told["rows_in"] == sum(told[name] for name in ROW_OUTCOMES), told


def _commands(folder: Path, week: Any) -> None:
    day = ("--as-of", week.as_of)
    _adds_up(json.loads(_run((0,), "load", folder, "--format", "json")))
    _run((0,), "load", folder)
    _run((0,), "held", folder)
    _run((0,), "assumptions", folder, "--format", "json")
    for tank in week.table("tank")["tank"].to_list()[:SOME]:
        _run((0,), "plan", folder, "--tank", tank, *day)
    _run((1,), "plan", folder, "--tank", "no such tank", *day)
    for model in week.table("filter_model")["model"].to_list()[:SOME]:
        _run((0,), "will-it-do", folder, "--model", model, "--net-l", 180)
        _run((0,), "will-it-do", folder, "--model", model, "--net-l", 180, "--letter")
    _run((2,), "review", folder, "--as-of", "yesterday")


def _papers(folder: Path, out: Path, week: Any) -> None:
    day = ("--as-of", week.as_of)
    _run((0,), "review", folder, *day, "--pdf", out / "week.pdf")
    first = ("--from", week.as_of - dt.timedelta(31), "--to", week.as_of)
    for site in week.table("site")["site"].to_list():
        # 1: no tank of the site ran in these days, or the last visit lies before them.
        _run((0, 1), "report", folder, "--site", site, *first, "--out", out)
    _run((0, 1), "sheets", folder, *day, "--html", "--labels", "--out", out)
    _run((0,), "calendar", folder, *day, "--out", out)
    _run((0,), "export", folder, "--out", out / "export")
    for page in out.glob("*.html"):
        _no_nulls(page.name, re.sub(r"<svg.*?</svg>", "", page.read_text(encoding="utf-8"), flags=re.S))


def main() -> int:
    """As many random folders as the first argument says, from the seed of the second; 1 where any went wrong."""
    words = [*sys.argv[1:], *("1000", "0")[len(sys.argv) - 1 :]]
    count, first = int(words[0]), int(words[1])
    wrong, begun = 0, time.perf_counter()
    for seed in range(first, first + count):
        with tempfile.TemporaryDirectory() as place:
            try:
                through_everything(write(seed, Path(place) / "logs"), Path(place) / "out")
            except BaseException as error:  # a panic of a library is no Exception
                if isinstance(error, KeyboardInterrupt):
                    raise
                wrong += 1
                print(f"seed {seed}: {type(error).__name__}: {str(error)[:300]}", flush=True)
    print(f"{count} random folders, {wrong} went wrong, {time.perf_counter() - begun:.0f} s")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
