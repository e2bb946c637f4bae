"""Proposals: an option of a plan or a what-if that somebody kept, for a report to take up; one file each, written
whole as LOGS/proposals/TANK-DATE-N.json. One that is withdrawn stays, marked; none is read as a record of the round."""

import datetime as dt
import json
import math
from collections.abc import Collection, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from pipeline import safe_write
from pipeline.advise.what_if import Asked, Settings
from pipeline.papers.plain_text import Suggestion
from pipeline.papers.report_text import costs_text, plan_text, share_text, water_text
from pipeline.papers.writing import safe_name, write_bytes
from pipeline.problems import Problem
from pipeline.wording import listed, money

FOLDER = "proposals"
ONCE, YEAR = "once", "year"
MOST_A_DAY = 999
UNREADABLE = (OSError, ValueError, KeyError, TypeError, AttributeError)


@dataclass(frozen=True)
class Cost:
    """A price, and how often it is paid. None is not known, never 0."""

    amount: float | None
    per: str = ONCE


@dataclass(frozen=True)
class Proposal:
    """What was kept of a tank: `words` for the keeper, `plain` for a report, costs, who and when."""

    tank: str
    words: str
    plain: str
    costs: tuple[Cost, ...]
    by: str
    on: dt.date
    as_of: dt.date  # the day that it was calculated for
    name: str = ""  # of its file; blank until it is kept
    withdrawn_on: dt.date | None = None
    withdrawn_by: str | None = None

    @property
    def open(self) -> bool:
        return self.withdrawn_on is None

    def cost_text(self) -> str:
        """`17, and 4 a year`, for the keeper."""
        parts = []
        for cost in self.costs:
            if cost.amount is None:
                parts.append("yearly cost not known" if cost.per == YEAR else "cost not known")
            elif cost.amount:
                parts.append(money(cost.amount) + (" a year" if cost.per == YEAR else ""))
        return listed(parts) or "free"

    def suggestion(self) -> Suggestion:
        """As a report says it: plain words, the cost in words."""
        return Suggestion(self.plain, costs_text([(cost.amount, cost.per == YEAR) for cost in self.costs]))


# -- what is proposed --------------------------------------------------------------------------------


def of_option(tank: str, option: Mapping[str, Any], by: str, on: dt.date, as_of: dt.date) -> Proposal:
    words = " ".join(str(change["says"]) for change in option["changes"])
    per = YEAR if option["cost_per"] == "a year" else ONCE
    return Proposal(tank, words, plan_text(option, as_of), (Cost(option["cost"], per),), by, on, as_of)


def of_what_if(
    tank: str, asked: Settings, today: Settings, found: Asked, by: str, on: dt.date, as_of: dt.date
) -> Proposal:
    """A what-if as a proposal. Problem where nothing is changed in it."""
    if not found.words:
        raise Problem("Nothing differs from today: move a slider first, then keep it.")
    plain = []
    if asked.feed_g_day is not None and today.feed_g_day and asked.feed_g_day != today.feed_g_day:
        plain.append(share_text(asked.feed_g_day / today.feed_g_day))
    if asked.stocking != today.stocking:
        plain.append(plan_text({"changes": [{"kind": "stocking"}]}, as_of))
    if asked.media_kg > 0:
        plain.append(plan_text({"changes": [{"kind": "media added"}]}, as_of))
    if asked.fraction is not None and (asked.fraction, asked.every_days) != (today.fraction, today.every_days):
        plain.append(water_text(asked.fraction, asked.every_days))
    costs = (Cost(found.cost, ONCE), Cost(found.cost_year, YEAR))
    return Proposal(tank, " ".join(found.words), " ".join(plain), costs, by, on, as_of)


# -- files -------------------------------------------------------------------------------------------


def _record(proposal: Proposal) -> bytes:
    kept = {key: value for key, value in asdict(proposal).items() if key != "name"}
    return (json.dumps(kept, ensure_ascii=False, indent=1, default=dt.date.isoformat, allow_nan=False) + "\n").encode()


def _cost(record: Mapping[str, Any]) -> Cost:
    amount, per = record["amount"], record["per"]
    if per not in (ONCE, YEAR) or not (amount is None or (float(amount) >= 0 and math.isfinite(float(amount)))):
        raise ValueError("a cost is an amount of 0 or more, or null, paid once or a year")
    return Cost(None if amount is None else float(amount), per)


def _read(path: Path) -> Proposal:
    """A proposal from its file; ValueError, KeyError or TypeError where it is none."""
    record: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    texts = {name: record[name] for name in ("tank", "words", "plain", "by")}
    if not all(isinstance(text, str) and text.strip() for text in texts.values()):
        raise ValueError("it lacks its tank, its words or who kept it")
    gone = record.get("withdrawn_on")
    return Proposal(
        **texts, costs=tuple(_cost(cost) for cost in record["costs"]), on=dt.date.fromisoformat(record["on"]),
        as_of=dt.date.fromisoformat(record["as_of"]), name=path.name,
        withdrawn_on=None if gone is None else dt.date.fromisoformat(gone), withdrawn_by=record.get("withdrawn_by"),
    )  # fmt: skip


def listing(logs: Path) -> tuple[list[Proposal], list[str]]:
    """All proposals of a log folder, newest first; and what can't be read, in sentences."""
    found: list[Proposal] = []
    lost: list[str] = []
    for path in sorted((logs / FOLDER).glob("*.json")):
        if path.name.startswith("."):
            continue
        try:
            found.append(_read(path))
        except UNREADABLE:
            lost.append(
                f"{FOLDER}/{path.name} can't be read as a proposal: bring it back from a copy, or remove it and keep"
                " the proposal again."
            )

    def newness(one: Proposal) -> tuple[dt.date, int, str]:
        count = Path(one.name).stem.rpartition("-")[2]
        return one.on, int(count) if count.isdigit() else 0, one.name

    return sorted(found, key=newness, reverse=True), lost


def open_of(logs: Path, tanks: Collection[str]) -> tuple[list[Proposal], list[str]]:
    """The proposals of some tanks that are not withdrawn, newest first; and what can't be read."""
    found, lost = listing(logs)
    return [one for one in found if one.open and one.tank in tanks], lost


def keep(logs: Path, proposal: Proposal) -> tuple[Proposal, bool]:
    """Keeps a proposal as a new file; (it, whether it is new). One that says the same and is open is not kept twice."""
    if not proposal.by.strip():
        raise Problem("Say who proposes it: a role or initials.")
    for known in open_of(logs, [proposal.tank])[0]:
        if (known.words, known.plain, known.costs) == (proposal.words, proposal.plain, proposal.costs):
            return known, False
    stem = f"{safe_name(proposal.tank)}-{proposal.on.isoformat()}"
    for number in range(1, MOST_A_DAY + 1):
        path = logs / FOLDER / f"{stem}-{number}.json"
        try:
            safe_write.write(path, _record(proposal), replace=False)
        except FileExistsError:
            continue
        return replace(proposal, name=path.name), True
    raise Problem(f"{logs / FOLDER} holds {MOST_A_DAY} proposals of that day and tank: withdraw some.")


def withdraw(logs: Path, name: str, by: str, on: dt.date) -> Proposal:
    """Marks a proposal as withdrawn; its file stays. Problem where there is none of that name."""
    path = logs / FOLDER / name
    if Path(name).name != name or not path.is_file():
        raise Problem(f"There is no proposal “{name}”: it may have been removed. Look at the page again.")
    try:
        known = _read(path)
    except UNREADABLE as error:
        raise Problem(
            f"{FOLDER}/{name} can't be read as a proposal: bring it back from a copy, or remove it."
        ) from error
    if not known.open:
        return known
    if not by.strip():
        raise Problem("Say who withdraws it: a role or initials.")
    gone = replace(known, withdrawn_on=on, withdrawn_by=by.strip())
    write_bytes(path, _record(gone))
    return gone
