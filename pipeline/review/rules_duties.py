"""Rules about jobs whose day has come: services, carbon, kits, flow tests, promises. A tap test is its supply's, told
once for the round; what was never recorded is not late."""

from pipeline.review.facts import TankFacts
from pipeline.review.finding import DUE, Finding
from pipeline.wording import due_words


def _come(f: TankFacts, *what: str) -> Finding | None:
    """The latest of a tank's jobs of some kinds whose day has come, with the count of the others."""
    rows = [row for row in f.records("due") if row["what"] in what and row["late_days"] >= 0]
    if not rows:
        return None
    row = min(rows, key=lambda r: (-r["late_days"], r["about"] or ""))
    more = f" (and {len(rows) - 1} more)" if len(rows) > 1 else ""
    said = due_words(row["what"], row["about"], row["on"], row["late_days"])
    says = "" if row["what"] == "promise" else f"{said[0].upper()}{said[1:]}{more}: {row['says']}."
    return Finding(DUE, f"{said}{more}", row["do"], row["basis"], -float(row["late_days"]), says)


def service_due(f: TankFacts) -> Finding | None:
    return _come(f, "check")


def carbon_due(f: TankFacts) -> Finding | None:
    return _come(f, "carbon")


def kit_due(f: TankFacts) -> Finding | None:
    return _come(f, "kit", "tests left")


def flow_test_due(f: TankFacts) -> Finding | None:
    return _come(f, "flow test")


def promise_due(f: TankFacts) -> Finding | None:
    return _come(f, "promise")
