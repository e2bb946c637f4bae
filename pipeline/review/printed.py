"""The weekly review as text that a person would print."""

from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.console import printed
from pipeline.review import summary
from pipeline.review.causes import UNEXPLAINED, of_tank
from pipeline.review.ranking import URGENT
from pipeline.review.summary import Row
from pipeline.week import Week
from pipeline.wording import due_text


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
    once = left_over(review, found, rows["finding_cause"])

    def of_line(row: Row) -> Row:
        """A line of the review with its tank's other urgent findings, facts, jobs and causes but for those told once."""
        tank, class_ = row["tank"], row["class"]
        of = {name: rows[name].get(tank, []) for name in rows}
        loud = [f for f in found.get(tank, []) if not f["quiet"]]
        top = next((f for f in loud if f["class"] == class_ and f["reason"] == row["reason"]), None)
        causes = of_tank(loud, of["finding_cause"]) if class_ in (*URGENT, "plan") else []
        return {
            **row,
            "title": ", ".join(filter(None, names.get(tank, (tank,)))),
            "top": top,
            "urgent": [f for f in loud if f is not top and f["class"] in URGENT],
            "facts": [
                summary.last_text(week, tank, of["water"], last),
                summary.rate_text(next((fit for fit in of["nitrate_fit"] if fit["window"] == "recent"), None)),
                summary.plateau_text(next(iter(of["nitrate_outlook"]), None)),
                summary.load_text(next(iter(of["capacity"]), None)),
            ],
            "jobs": [due_text(d["what"], d["about"], d["on"], d["late_days"]) for d in of["due"] if d["what"] != "tap test"],
            "causes": [one for one in causes if one["cause"] not in once or one["because"] != UNEXPLAINED],
        }  # fmt: skip

    tanks = [of_line(row) for row in review.iter_rows(named=True)]
    return printed("review.txt", week=week, review=review, summary=summary, once=once, tanks=tanks)
