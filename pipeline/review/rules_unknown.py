"""Rules about what nobody knows (silence is never green, unknown never 0), and about jobs whose day has come. A tap
test is its supply's, told once for the round; what was never recorded is not late."""

from pipeline.review.facts import TankFacts
from pipeline.review.finding import CANT, DUE, Finding, finding
from pipeline.wording import due_text, listed, spell
from schemas.words import PARAMETER_TITLES

NEVER = 10_000.0  # days: orders a tank that was never read before any that was


def no_usable_reading(f: TankFacts) -> Finding | None:
    """No usable nitrate reading for one and a half visit intervals; a tank not visited yet is no less unknown."""
    intervals = f.assumed["silent_intervals"]
    if f.last_age is not None and f.visit_days is not None and f.last_age <= intervals * f.visit_days:
        return None
    harm, since = (-NEVER, "yet") if f.last_age is None else (-float(f.last_age), f"for {spell(f.last_age)}")
    return finding(f, "no_usable_reading", CANT, harm, since=since)


def held(f: TankFacts) -> Finding | None:
    """An item of this tank is on hold: until it is settled nobody can say."""
    items = f.on_hold()
    if not items:
        return None
    age, row = min(items, key=lambda item: -1 if item[0] is None else item[0])  # of no known day, else the newest
    what = "row on hold" if row["column"] is None else f"on hold: {row['column']} {row['text']}"
    if row["parameter"] is not None:
        what = f"reading on hold: {PARAMETER_TITLES[row['parameter']]} {row['text']}"
    more = f" and {len(items) - 1} more" if len(items) > 1 else ""
    end = "." if row["suggestion"] is None else f": {row['suggestion']}?"
    rest = "" if row["column"] is None else f"Settle it under Held rows{end} The rest of its row is used."
    return finding(f, "held", CANT, -float(age or 0), row=row, what=what, more=more, age=age, rest=rest)


def kit_expired(f: TankFacts) -> Finding | None:
    """Readings on a kit past its date: they can raise an alarm, and make no tank steady."""
    if not f.last_expired or f.last_age is None:
        return None
    return finding(f, "kit_expired", DUE, -3.0, kit=f"kit {f.last_kit}" if f.last_kit else "a kit")


def not_tested(f: TankFacts) -> Finding | None:
    """Ammonia or nitrite not tested for weeks: what has not been looked for is not called absent."""
    absent = [name for name in ("ammonia", "nitrite") if name not in f.water]
    fresh = int(f.assumed["water_fresh_days"])
    return finding(f, "not_tested", DUE, -1.0, absent=absent, fresh=fresh) if absent else None


def _no_filter(f: TankFacts) -> bool:
    """No filter on record, or one of which nobody recorded what is in it."""
    return "filter on record" in (f.missing or "") or "what fills" in (f.missing or "")


def no_filter_recorded(f: TankFacts) -> Finding | None:
    """No filter on record, or no layout of it: not recorded is not none."""
    if f.plain_state not in (None, "can't say") or not _no_filter(f):
        return None
    bare = not f.filters
    what = "no filter recorded" if bare else f"what is in filter {listed(f.filters or ())} is not recorded"
    return finding(f, "no_filter_recorded", DUE, -0.25, what=what)


def rating_not_known(f: TankFacts) -> Finding | None:
    """What is needed before a rating can be said: litres, a stage, a mass."""
    if f.plain_state not in (None, "can't say") or _no_filter(f):
        return None
    return finding(f, "rating_not_known", DUE, -0.5, needs=f.missing or "the tank's litres and its filter's media")


def _come(f: TankFacts, *what: str) -> Finding | None:
    """The latest of a tank's jobs of some kinds whose day has come, with the count of the others."""
    rows = [row for row in f.records("due") if row["what"] in what and row["late_days"] >= 0]
    if not rows:
        return None
    row = min(rows, key=lambda r: (-r["late_days"], r["about"] or ""))
    more = f" (and {len(rows) - 1} more)" if len(rows) > 1 else ""
    text = due_text(row["what"], row["about"], row["on"], row["late_days"])
    says = "" if row["what"] == "promise" else f"{text[0].upper()}{text[1:]}{more}: {row['says']}."
    return Finding(DUE, f"{text}{more}", row["do"], row["basis"], -float(row["late_days"]), says)


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
