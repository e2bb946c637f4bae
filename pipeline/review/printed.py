"""The weekly review as text that a person would print."""

import textwrap
from collections.abc import Collection, Mapping, Sequence

import polars as pl

from pipeline.review import summary
from pipeline.review.causes import UNEXPLAINED, of_tank
from pipeline.review.ranking import URGENT
from pipeline.review.summary import Row
from pipeline.week import Week
from pipeline.wording import CYCLES, cause_text, day, due_text
from schemas.words import CAUTION_LINE

WIDTH = 100


def _wrapped(text: str, indent: int, more: int) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=" " * indent, subsequent_indent=" " * more)


def _mark(finding: Row | None) -> str:
    """`  (new)`, `  (worse)`: against the week before."""
    return f"  ({finding['mark']})" if finding is not None and finding["mark"] is not None else ""


def _tank(
    row: Row, name: str, found: Sequence[Row], causes: Sequence[Row], facts: str, jobs: Sequence[str],
    once: Collection[str],
) -> list[str]:  # fmt: skip
    """The lines of one tank: its class's reason and step, all else that is urgent, its facts, possible causes but for
    those told `once` for the round, jobs."""
    loud = [f for f in found if not f["quiet"]]
    top = next((f for f in loud if f["class"] == row["class"] and f["reason"] == row["reason"]), None)
    was = f"  (last week: {row['was_class']})" if row["was_class"] and row["was_class"] != row["class"] else ""
    lines = _wrapped(f"{row['tank']}  {name}: {row['reason']}{_mark(top)}{was}", 0, 6)
    lines += _wrapped(f"→ {row['step']}", 6, 8)
    for f in loud:
        if f is not top and f["class"] in URGENT:
            lines += _wrapped(f"{f['class']}: {f['reason']}{_mark(f)}", 6, 8) + _wrapped(f"→ {f['step']}", 6, 8)
    if row["class"] != "steady":
        lines += _wrapped(facts, 6, 6)
    if jobs:
        lines += _wrapped(f"due: {'; '.join(jobs)}", 6, 8)
    for cause in of_tank(loud, causes) if row["class"] in (*URGENT, "plan") else ():
        if cause["cause"] not in once or cause["because"] != UNEXPLAINED:
            text = f"possible cause: {cause_text(cause['cause'])}: {cause['because']}. Check: {cause['check']}."
            lines += _wrapped(text, 6, 8)
    return lines


def left_over(
    review: pl.DataFrame, found: Mapping[str, Sequence[Row]], causes: Mapping[str, Sequence[Row]]
) -> dict[str, str]:
    """Cause -> its check: what is left to look for in more than one tank, without a record that speaks for it."""
    loud = review.filter(pl.col("class").is_in([*URGENT, "plan"]))["tank"]
    possible = [cause for tank in loud for cause in of_tank(found.get(tank, []), causes.get(tank, []))]
    left = [(cause["cause"], cause["check"]) for cause in possible if cause["because"] == UNEXPLAINED]
    return {cause: check for cause, check in left if left.count((cause, check)) > 1}


def as_text(week: Week) -> str:
    """The weekly review, ranked: every finding for today and this week, and what each tank is told by."""
    review, names = week.now("review").sort("rank"), summary.names_of(week)
    rows = summary.rows_of(week, "capacity", "nitrate_outlook", "nitrate_fit", "water", "finding_cause", "due")
    found, last = summary.by_tank(week.now("finding").sort("harm")), summary.last_readings(week)
    name = f" of {week.round.name}" if week.round.name else ""
    lines = [f"Weekly review{name}, as of {day(week.as_of, year=True)}.", summary.counts_sentence(review)]
    lines += summary.notices(week)
    once = left_over(review, found, rows["finding_cause"])
    for cause, check in once.items():
        text = f"Where nothing recorded explains a finding, {cause_text(cause)} is left to look for. Check: {check}."
        lines += _wrapped(text, 0, 0)
    above = ""
    for row in review.iter_rows(named=True):
        if row["class"] != above:
            above = row["class"]
            lines += ["", above.upper(), "-" * WIDTH]
        tank = row["tank"]
        of = {name: rows[name].get(tank, []) for name in rows}
        facts = "; ".join([
            summary.last_text(week, tank, of["water"], last),
            summary.rate_text(next((fit for fit in of["nitrate_fit"] if fit["window"] == "recent"), None)),
            summary.plateau_text(next(iter(of["nitrate_outlook"]), None)),
            summary.load_text(next(iter(of["capacity"]), None)),
        ])  # fmt: skip
        jobs = [due_text(d["what"], d["about"], d["on"], d["late_days"]) for d in of["due"] if d["what"] != "tap test"]
        title = ", ".join(filter(None, names.get(tank, (tank,))))
        lines += _tank(row, title, found.get(tank, []), of["finding_cause"], facts, jobs, once)
    if suggestion := summary.never_recorded(week):
        lines += ["", *_wrapped(suggestion, 0, 0)]
    return "\n".join([*lines, "", *_wrapped(f"{CYCLES} {CAUTION_LINE}", 0, 0)])
