"""The demo round as files: standing records, visits by month, and the sheets that were typed badly."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from tests.demo_round import book, diary, tanks, visits
from tests.demo_round.kits import KITS
from tests.demo_round.visits import COLUMNS, Row

ROUND_TOML = """\
# An invented round. No tank, site, kit, filter, price or reading in this folder is real.
[round]
name = "Tarnwhistle round (invented)"
date_order = "iso"
visit_every_days = 7

[prices]
visit = 31.0
water_m3 = 3.6
carbon = 7.5

[prices.media]
"ashgrit" = 17.0
"sintrel beads" = 23.0
"tuffle chips" = 8.0
"close pad" = 3.0

[prices.filters]
"grubbin-4" = 148.0
"tollop-3" = 96.0
"wimmet" = 41.0

[van]
payload_kg = 540
container_l = 18

[dosing]
conditioner_ml_per_l = 0.13
"""
# The sheet typed in a hurry one evening: (tank, column) -> what was typed. The seven kinds of slip it shows
# are told in tests/make_sample_logs.py.
EVENING = ("2026-03-24", "2026-03-26")
EVENING_FILE = "visits/2026-03-24-evening-sheet.csv"
SLIPS: dict[tuple[str, str], str] = {
    ("TC1", "nitrate"): "<4",
    ("TC2", "ph"): "7,2",
    ("TC3", "temperature"): "77",
    ("TC4", "nitrate"): "05-Oct",
    ("TC4", "tank"): "upper lounge ",
    ("MD1", "nitrate"): "22 mg/l",
    ("MD2", "nitrate"): "between 11 and 26",
    ("MD2", "ammonia"): "n/t",
    ("MD3", "tank"): "Therapy rom",
    ("SS1", "ph"): "72",
    ("SS2", "nitrite"): "O",
    ("SS3", "nitrate"): "3.4-5.8",
    ("SS3", "ph"): "7..4",
    ("HS1", "nitrate"): ">112",
    ("HS1", "temperature"): "78 F",
    ("HS2", "water_changed"): "9 gal",
    ("HS3", "note"): '=HYPERLINK("http://example.invalid","see sheet")',
    ("HS3", "kh"): "ok",
    ("SL1", "note"): "<b>check</b> the lid & <script>alert(1)</script>",
    ("SL2", "nitrate"): "7,5,13",  # one comma too many: see unquoted()
}
CORRECTIONS = (("SS1", "ph", "7.2", "BW", "2026-03-27", "missing point; looked it up on the wet sheet"),)
# Sent by a relief keeper from another machine: semicolons, decimal commas, day first, old Windows letters.
RELIEF_SITE, RELIEF_MONTH, RELIEF_FILE = "inkpebble", "2026-01", "visits/2026-01-inkpebble.csv"
RELIEF_HEADERS = {"nitrate": "Nitrate (mg/L NO3)", "temperature": "Temperature [°C]", "kh": "KH (dKH)"}
AGAIN = ("ottersage", "2025-10-07", "visits/ottersage-2025-10-07-sent-again.csv")
HARDNESS = "visits/2026-04-hardness.csv"


def text(header: Sequence[str], rows: Iterable[Sequence[str]], separator: str = ",") -> str:
    """A CSV as text."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return out.getvalue()


def _cell(value: object) -> str:
    return "" if value is None else str(value)


def standing() -> dict[str, str]:
    """The records that rarely change."""
    fills = [
        (
            f.id,
            x.compartment,
            _cell(x.layer),
            x.medium,
            _cell(x.kg),
            _cell(x.mm),
            x.batch,
            x.wetted,
            x.since,
            x.to,
            x.note,
        )
        for f in book.FILTERS
        for x in f.layers
    ]
    taps = []
    for turn, on in enumerate(tanks.TAP_TESTS):
        for supply, (nitrate, ph, kh) in tanks.SUPPLIES.items():
            wobble = (1.03, 0.96, 1.02, 0.99)[(turn + len(supply)) % 4]
            taps.append((supply, on, f"{nitrate * wobble:.1f}", f"{ph}", f"{kh * wobble:.1f}", "0", ""))
    return {
        "round.toml": ROUND_TOML,
        "sites.csv": text(
            ("site", "name", "kind", "water_supply", "visit_day", "next_visit", "report_to", "note"), tanks.SITES
        ),
        "tanks.csv": text(
            (
                "tank",
                "site",
                "name",
                "also_known_as",
                "gross_l",
                "net_l",
                "set_up",
                "closed",
                "temperature_c",
                "planting",
                "stocking",
                "nitrate_ceiling",
                "note",
            ),
            [
                (
                    t.id,
                    t.site,
                    t.name,
                    t.also,
                    str(t.gross_l),
                    _cell(t.net_l),
                    t.set_up,
                    "",
                    f"{t.temperature:g}",
                    t.planting,
                    t.stocking,
                    t.ceiling,
                    t.note,
                )
                for t in tanks.TANKS
            ],
        ),
        "feeding.csv": text(
            ("tank", "from", "feed_g_day", "protein_pct", "note"),
            [(t.id, since, f"{grams:g}", "45", note) for t in tanks.TANKS for since, grams, note in t.feed],
        ),
        "filter_models.csv": text(("model", "kind", "rated_flow_l_h", "source", "note"), book.MODELS),
        "compartments.csv": text(
            (
                "model",
                "position",
                "compartment",
                "stage",
                "medium",
                "shape",
                "length_mm",
                "width_mm",
                "inner_mm",
                "depth_mm",
                "usable_share",
                "usable_l",
                "loose_kg",
                "neat_kg",
                "pad_mm",
                "source",
                "note",
            ),
            book.COMPARTMENTS,
        ),
        "media.csv": text(("medium", "stage", "quality", "bulk_kg_l", "life_days", "note"), book.MEDIA),
        "filters.csv": text(
            ("filter", "model", "clean_flow_l_h", "note"),
            [(f.id, f.model, _cell(f.clean_flow), f.note) for f in book.FILTERS],
        ),
        "placements.csv": text(
            ("filter", "tank", "from", "to"), [(f.id, *stand) for f in book.FILTERS for stand in f.stands]
        ),
        "fills.csv": text(
            (
                "filter",
                "compartment",
                "layer",
                "medium",
                "mass_kg",
                "thickness_mm",
                "batch",
                "wetted",
                "from",
                "to",
                "note",
            ),
            fills,
        ),
        "kits.csv": text(
            ("kit", "parameter", "basis", "steps", "opened", "expires", "tests_left", "note"),
            [
                (
                    k.id,
                    p,
                    ladder.basis,
                    f"{ladder.per_drop:g} a drop" if ladder.per_drop else "|".join(ladder.steps),
                    k.opened,
                    k.expires,
                    str(k.tests_left),
                    k.note,
                )
                for k in KITS
                for p, ladder in k.ladders.items()
            ],
        ),
        "tap.csv": text(("water_supply", "date", "nitrate", "ph", "kh", "ammonia", "note"), taps),
        "promises.csv": text(("made_on", "site", "tank", "promise", "due", "done_on"), diary.PROMISES),
        "noted.csv": text(("tank", "rule", "until", "by", "why"), diary.NOTED),
    }


def _by_date(folder: str, header: Sequence[str], rows: list[Row], part: int = 7) -> dict[str, str]:
    """A file a month (the first 7 characters of a date), or a year (4)."""
    return {
        f"{folder}/{when}.csv": text(header, [[r[c] for c in header] for r in rows if r["date"][:part] == when])
        for when in sorted({row["date"][:part] for row in rows})
    }


def _unquoted(sheet: str) -> str:
    """Take the quotes off one decimal comma, as a spreadsheet in another language does: the row gains a field."""
    return sheet.replace('"7,5,13"', "7,5,13")


def _evening(rows: list[Row]) -> dict[str, str]:
    """The evening sheet with its slips, and the correction of one of them."""
    typed = [row | {c: t for (tank, c), t in SLIPS.items() if tank == row["tank"]} for row in rows]
    twice = next(r for r in typed if r["tank"] == "SS2")
    typed.insert(typed.index(twice) + 1, dict(twice))
    names = [r["tank"] for r in rows]
    lines = {tank: names.index(tank) + 2 + (names.index(tank) > names.index("SS2")) for tank in names}
    corrections = [
        (EVENING_FILE, str(lines[tank]), column, SLIPS[tank, column], now, by, on, why)
        for tank, column, now, by, on, why in CORRECTIONS
    ]
    return {
        EVENING_FILE: _unquoted(text(COLUMNS, [[r[c] for c in COLUMNS] for r in typed])),
        "corrections.csv": text(("file", "line", "column", "was", "now", "by", "on", "why"), corrections),
    }


def _relief(rows: list[Row]) -> str:
    """Day-first dates and decimal commas."""
    header = [c for c in COLUMNS if c not in ("change_kind", "fish_look")]
    cells = []
    for row in rows:
        year, month, day = row["date"].split("-")
        said = row | {"date": f"{day}/{month}/{year}"}
        said |= {c: row[c].replace(".", ",") for c in ("ammonia", "nitrite", "nitrate", "ph", "kh", "temperature")}
        cells.append([said[c] for c in header])
    return text([RELIEF_HEADERS.get(c, c.replace("_", " ").capitalize()) for c in header], cells, ";")


def _hardness() -> str:
    """One row a parameter: what was tested once in spring."""
    rows = []
    for tank, on, gh, phosphate in (
        ("LM1", "2026-04-13", "8", "0.4"), ("LM2", "2026-04-13", "8", "0.9"), ("TC1", "2026-04-14", "8", "0.1"),
        ("SS1", "2026-04-15", "15", "0.7"), ("HS2", "2026-04-16", "5", "0.2"), ("SL1", "2026-04-16", "17", "0.5"),
    ):  # fmt: skip
        site = next(t.site for t in tanks.TANKS if t.id == tank)
        rows.append((on, site, tank, "none", "gh", gh, "dGH", "BW"))
        rows.append((on, site, tank, "none", "phosphate", phosphate, "mg/L", "BW"))
    return text(("date", "site", "tank", "taken", "parameter", "value", "unit", "by"), rows)


def sheets() -> dict[str, bytes]:
    """Every file of the round: its path in the folder, and its bytes."""
    rows = visits.all_visits()
    evening = [r for r in rows if EVENING[0] <= r["date"] <= EVENING[1]]
    relief = [r for r in rows if r["site"] == RELIEF_SITE and r["date"][:7] == RELIEF_MONTH]
    again = [r for r in rows if (r["site"], r["date"]) == AGAIN[:2]]
    rest = [r for r in rows if r not in evening and r not in relief]
    texts = standing() | _by_date("visits", COLUMNS, rest)
    texts |= _evening(evening)
    texts[AGAIN[2]] = text(COLUMNS, [[r[c] for c in COLUMNS] for r in again])
    texts[HARDNESS] = _hardness()
    texts |= _by_date("services", diary.SERVICE_COLUMNS, diary.services())
    events = [dict(zip(("date", "tank", "event", "count", "hours", "note"), e, strict=True)) for e in diary.EVENTS]
    texts |= _by_date("events", ("date", "tank", "event", "count", "hours", "note"), events, 4)
    files = {name: content.encode() for name, content in texts.items()}
    files[RELIEF_FILE] = _relief(relief).encode("cp1252")
    return files
