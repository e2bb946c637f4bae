"""Which tanks would get another class, or another word for a rating, if one assumption moved to an end of its stated
range, all else kept. Only what it enters is calculated anew: the capacity, or the nitrate, or the rules alone."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import polars as pl

from pipeline.assumptions import Assumption, Assumptions
from pipeline.calc import nitrate
from pipeline.calc.capacity import capacity
from pipeline.calc.kit_shift import trend_of
from pipeline.review.facts import gather
from pipeline.review.finding import STEADY
from pipeline.review.finding import found as found_by
from pipeline.review.ranking import quieten
from pipeline.review.rules import RULES
from pipeline.week import Week
from schemas import Tables, conform
from schemas.words import CLASSES

REQUEST = ("tank", "as_of")
CAPACITY, TREND, FIT, RULE, NONE = "capacity", "the trend", "the nitrate fit", "the rules", "no class and no rating"

# The step of the calculation at which an assumption with a stated range enters, where that is not the capacity.
# tests/advise/test_hangs_on.py watches what each step reads, so that one that begins to be read elsewhere is noticed.
ENTERS: dict[str, str] = {
    "climbing_rate": TREND, "reading_cv": FIT, "reading_cv_meter": FIT, "act_free_ammonia": RULE,
    # These move drawings and the possible causes, of which no class and no rating is made.
    **dict.fromkeys(("neat_gain", "usable_share_default", "protein_default_pct", "feed_n_share"), NONE),
}  # fmt: skip


@dataclass(frozen=True)
class Move:
    """One tank whose word changes when one assumption moves. `of` is class, plain or working."""

    assumption: str
    end: str  # low or high
    value: float
    tank: str
    of: str
    was: str
    would: str


def ends(assumption: Assumption) -> Iterator[tuple[str, float]]:
    """The stated ends of an assumption that differ from the value in force."""
    for end, value in (("low", assumption.low), ("high", assumption.high)):
        if value is not None and value != assumption.value:
            yield end, value


def _classes_if(week: Week, derived: Tables, assumed: Assumptions) -> dict[str, str]:
    """The class of each tank with some derived tables or assumptions moved."""
    requests = week.now("capacity").select(REQUEST)
    earlier = week.table("finding").filter(pl.col("as_of") != week.as_of)
    facts = gather({**week.tables, **derived}, requests, assumed, week.round)
    found = pl.concat([conform("finding", earlier), found_by(facts, RULES)])
    noted = week.table("noted").drop_nulls("until").select("tank", "rule", "until")
    loud = quieten(found, noted, assumed["worse_share"]).filter((pl.col("as_of") == week.as_of) & ~pl.col("quiet"))
    classes = loud.group_by("tank").agg("class").iter_rows()
    return dict.fromkeys(requests["tank"], STEADY) | {tank: min(some, key=CLASSES.index) for tank, some in classes}


def _nitrate_if(week: Week, step: str, assumed: Assumptions) -> Tables:
    if step == FIT:
        now = week.now("capacity")
        return nitrate.calculate_nitrate(week.tables, now.select(REQUEST), assumed, week.round, capacity=now)
    outlook = week.now("nitrate_outlook").drop("trend")
    trend = trend_of(outlook.select(REQUEST), week.now("nitrate_fit"), week.now("step_alarm"), assumed)
    return {"nitrate_outlook": conform("nitrate_outlook", outlook.with_columns(trend))}


def _moved(week: Week, now: pl.DataFrame, assumption: Assumption, end: str, value: float) -> list[Move]:
    """What moves when one assumption is at one end; `now` is the capacity as it is."""
    step = ENTERS.get(assumption.name, CAPACITY)
    assumed = week.assumed.with_values(**{assumption.name: value})
    classes: dict[str, str] = {}
    moves: list[tuple[str, ...]] = []  # tank, of, was, would
    if step in (TREND, FIT):
        classes = _classes_if(week, _nitrate_if(week, step, assumed), assumed)
    elif step == RULE:
        classes = _classes_if(week, {}, assumed)
    elif step == CAPACITY:
        moved, _ = capacity(week.tables, now.select(REQUEST), assumed)
        both = now.join(moved, on=REQUEST, suffix="_if")
        for of in ("plain", "working"):
            was, would = f"{of}_state", f"{of}_state_if"
            changed = both.filter(pl.col(was).ne_missing(pl.col(would)))
            moves += changed.select("tank", pl.lit(of), was, would).iter_rows()
        # Recorded overload looks back a week.
        earlier = week.table("capacity").filter(pl.col("as_of") != week.as_of)
        classes = _classes_if(week, {"capacity": pl.concat([earlier, conform("capacity", moved)])}, assumed)
    of_class = week.now("review").select("tank", "class").iter_rows()
    moves += [(tank, "class", was, classes[tank]) for tank, was in of_class if classes.get(tank, was) != was]
    return [Move(assumption.name, end, value, *move) for move in moves]


def hangs_on(week: Week, names: Iterable[str] | None = None) -> list[Move]:
    """Every tank whose class or rating would be told by another word if an assumption moved to an end of its stated range.

    `names` are the assumptions to move, all with a stated range where none are given.
    """
    if not week.now("review").height:
        return []
    now, _ = capacity(week.tables, week.now("capacity").select(REQUEST), week.assumed)
    wanted = week.assumed.records() if names is None else [week.assumed.assumption(name) for name in names]
    return [
        move
        for assumption in wanted
        for end, value in ends(assumption)
        for move in _moved(week, now, assumption, end, value)
    ]
