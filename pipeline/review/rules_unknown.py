"""Rules about what nobody knows. Silence is never green, and unknown is never 0."""

from pipeline.review.facts import Row, TankFacts
from pipeline.review.finding import CANT, CP, DUE, HOUSE, Finding
from pipeline.wording import aged, amount, days, listed, spell
from schemas.words import PARAMETER_TITLES

NEVER = 10_000.0  # days: orders a tank that was never read before any that was


def no_usable_reading(f: TankFacts) -> Finding | None:
    """No usable nitrate reading for one and a half visit intervals; a tank not visited yet is no less unknown."""
    intervals = f.assumed["silent_intervals"]
    if f.last_age is not None and f.visit_days is not None and f.last_age <= intervals * f.visit_days:
        return None
    if f.last_age is None:
        reason, last = "no usable nitrate reading yet", ""
    else:
        reason = f"no usable nitrate reading for {spell(f.last_age)}"
        last = f" (the last one {aged(f.last_age)})"
    every = "" if f.visit_days is None else f" of {amount(f.visit_days, 0)} days"
    return Finding(
        CANT,
        reason,
        "Test nitrate, ammonia and nitrite at the next visit, first of all",
        f"{intervals:g} visit intervals{every}; {HOUSE}",
        -(NEVER if f.last_age is None else float(f.last_age)),
        f"{reason[0].upper()}{reason[1:]}{last}: nobody can say how this tank is.",
        "Test nitrate, ammonia and nitrite at the next visit before anything else is done; enter any paper sheets not yet"
        " typed.",
    )


def _fresh(f: TankFacts) -> list[tuple[int | None, Row]]:
    """Items held lately with their age, those of no known day first, then the newest."""
    found: list[tuple[int | None, Row]] = []
    for row in f.records("held"):
        known = row["day"] is not None and row["fault"] != "future"
        age = (f.as_of - row["day"]).days if known else None
        if age is None or 0 <= age <= f.assumed["held_fresh_days"]:
            found.append((age, row))
    return sorted(found, key=lambda item: -1 if item[0] is None else item[0])


def held(f: TankFacts) -> Finding | None:
    """An item of this tank is on hold: until it is settled nobody can say."""
    items = _fresh(f)
    if not items:
        return None
    age, row = items[0]
    what = "row on hold" if row["column"] is None else f"on hold: {row['column']} {row['text']}"
    if row["parameter"] is not None:
        what = f"reading on hold: {PARAMETER_TITLES[row['parameter']]} {row['text']}"
    more = f" and {len(items) - 1} more" if len(items) > 1 else ""
    since = "" if age is None else f", {aged(age)}"
    suggest = f": {row['suggestion']}?" if row["suggestion"] is not None else ""
    return Finding(
        CANT,
        f"{what}{more}{since}",
        f"Settle it under Held rows{suggest}",
        f"an item held in the last {f.assumed['held_fresh_days']:g} days; {HOUSE}",
        -float(age or 0),
        f"In {row['file']} line {row['line']}, {what}{more}. {row['reason']}",
        f"Settle it under Held rows{suggest or '.'} The rest of its row is used." if row["column"] is not None else "",
    )


def kit_expired(f: TankFacts) -> Finding | None:
    """Readings on a kit past its date: they can raise an alarm, and make no tank steady."""
    if not f.last_expired or f.last_age is None:
        return None
    kit = f"kit {f.last_kit}" if f.last_kit else "a kit"
    return Finding(
        DUE,
        f"last nitrate was read with {kit}, past its date, {aged(f.last_age)}",
        "Retest with a kit in date; until then it cannot be called steady",
        f"a kit past its date, or open over twelve months; {CP}",
        -3.0,
        f"The last nitrate reading ({aged(f.last_age)}) was taken with {kit}, which was past its date that day.",
        "Bring a kit that is in date and read both once, side by side.",
    )


def not_tested(f: TankFacts) -> Finding | None:
    """Ammonia or nitrite not tested for weeks: what has not been looked for is not called absent."""
    absent = [name for name in ("ammonia", "nitrite") if name not in f.water]
    if not absent:
        return None
    fresh = int(f.assumed["water_fresh_days"])
    return Finding(
        DUE,
        f"{listed(absent)} not tested within {days(fresh)}",
        f"Test {listed(absent)} at the next visit",
        f"a result speaks for {fresh} days; {HOUSE}",
        -1.0,
    )


def _no_filter(f: TankFacts) -> bool:
    """No filter on record, or one of which nobody recorded what is in it."""
    return "filter on record" in (f.missing or "") or "what fills" in (f.missing or "")


def no_filter_recorded(f: TankFacts) -> Finding | None:
    """No filter on record, or no layout of it: not recorded is not none."""
    if f.plain_state not in (None, "can't say") or not _no_filter(f):
        return None
    bare = not f.filters
    what = "no filter recorded" if bare else f"what is in filter {listed(f.filters or ())} is not recorded"
    return Finding(
        DUE,
        f"{what}: its bioload is not known",
        "Write the filter and what is in it into the filter book",
        "placements.csv and fills.csv; not recorded is not none",
        -0.25,
        do="At the next visit look which filter runs and what is in it, layer by layer; write it into the filter book.",
    )


def rating_not_known(f: TankFacts) -> Finding | None:
    """What is needed before a rating can be said: litres, a stage, a mass."""
    if f.plain_state not in (None, "can't say") or _no_filter(f):
        return None
    needs = f.missing or "the tank's litres and its filter's media"
    return Finding(
        DUE,
        f"rating not known: needs {needs}",
        f"Find out at the visit: {needs}",
        "net litres and dry mass of media; unknown is not 0",
        -0.5,
        f"Its full-cycle rating can't be said: it needs {needs}.",
        f"Find out at the visit and write it in the book: {needs}.",
    )
