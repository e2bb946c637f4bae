"""Which tanks would get another class, or another word for a rating, if one assumption moved to an end of its stated
range, all else kept. Only what it enters is calculated anew."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import polars as pl

from pipeline.assumptions import Assumption, Assumptions
from pipeline.calc import disturbance, nitrate
from pipeline.calc.capacity import Calculated, layer_factors, missing, parts, rated, tank_side
from pipeline.calc.kit_shift import trend_of
from pipeline.calc.layers import place_factor
from pipeline.review import rules_trend
from pipeline.review.facts import gather
from pipeline.review.finding import Rule
from pipeline.review.finding import found as found_by
from pipeline.review.ranking import quieten
from pipeline.review.rules import RULES
from pipeline.review.rules_tank import half_cycle_short, nitrate_over_ceiling, off_the_chart
from pipeline.review.rules_unknown import rating_not_known
from pipeline.week import Week
from schemas import Tables, conform
from schemas.words import CLASSES

ASK = ("tank", "as_of")
TANK, PLACE, REACHED, FACTORS, PARTS, TREND, FIT, RULE, NONE = (
    "what a tank needs", "the place of media", "disturbances", "the factors of media", "all of capacity", "the trend",
    "the nitrate fit", "the rules", "no class and no rating",
)  # fmt: skip

# The step of the calculation at which each assumption with a stated range enters. tests/advise/test_hangs_on.py watches what
# each step reads, so that an assumption that begins to be read elsewhere is noticed.
ENTERS: dict[str, str] = {
    **dict.fromkeys(
        ("litres_per_kg", "net_of_gross", "load_light", "load_heavy", "load_messy", "plants_light", "plants_moderate",
         "plants_dense", "normal_feed_g_100l"), TANK),
    **dict.fromkeys(
        ("place_first", "place_after_coarse", "place_after_medium", "place_not_in_flow", "place_trickle",
         "place_bypass"), PLACE),
    **dict.fromkeys(
        (f"disturb_{name}{end}" for name in ("tank_rinse", "tap_rinse", "medication", "stopped")
         for end in ("", "_weeks")), REACHED),
    **dict.fromkeys(
        ("maturity_start_weeks", "maturity_full_weeks", "temperature_factor_low"), FACTORS),
    **dict.fromkeys(
        ("plain_min_quality", "clog_overdue", "clog_low_flow", "half_media_share", "half_foam_l_per_l",
         "half_turnover_h", "flow_of_rated"), PARTS),
    "climbing_rate": TREND,
    "reading_cv": FIT, "reading_cv_meter": FIT,
    "act_free_ammonia": RULE,
    # These move drawings and the possible causes, of which no class and no rating is made.
    **dict.fromkeys(("neat_gain", "usable_share_default", "protein_default_pct", "feed_n_share"), NONE),
}  # fmt: skip

# Of capacity the rules read only these where they choose a class; what else they read only words their sentences.
DECIDES = ("over_full_cycle", "plain_state", "working_state", "half_rating_l", "net_l")
OF_RATING: tuple[Rule, ...] = (
    rating_not_known,
    nitrate_over_ceiling,
    off_the_chart,
    half_cycle_short,
    *(r for r in RULES if r.__module__ == rules_trend.__name__),
)


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


@dataclass(frozen=True)
class _Base:
    """The week as it stands, in the parts that are calculated anew."""

    week: Week
    asks: pl.DataFrame
    found: Calculated
    layers: pl.DataFrame  # with their factors
    missing: pl.DataFrame
    capacity: pl.DataFrame
    classes: dict[str, str]


def _base(week: Week) -> _Base:
    review = week.now("review")
    asks = week.now("capacity").select(ASK)
    found = parts(week.tables, asks, week.assumed)
    full = layer_factors(found.layers, found.tanks, found.filters, found.reached, week.assumed)
    lacking = missing(full, found.filters)
    capacity = rated(found.tanks, full, found.filters, lacking, week.assumed)
    classes = dict(review.select("tank", "class").iter_rows())
    return _Base(week, asks, found, full, lacking, capacity, classes)


def _capacity_if(base: _Base, step: str, assumed: Assumptions) -> pl.DataFrame | None:
    """Capacity with an assumption moved; None where the step that it enters comes out the same."""
    week, found = base.week, base.found
    if step == PARTS:
        found = parts(week.tables, base.asks, assumed)
    elif step == TANK:
        tanks = tank_side(week.tables, base.asks, assumed)
        if tanks.equals(found.tanks):
            return None
        return rated(tanks, base.layers, found.filters, base.missing, assumed)
    elif step == PLACE:
        placed = place_factor(found.layers, assumed)
        if placed.equals(found.layers.select(placed.columns)):
            return None
        found = replace(found, layers=found.layers.with_columns(placed.get_columns()))
    elif step == REACHED:
        reached = disturbance.reaching(found.layers, week.tables, assumed)
        if reached.equals(found.reached):
            return None
        found = replace(found, reached=reached)
    full = layer_factors(found.layers, found.tanks, found.filters, found.reached, assumed)
    # Capacity is made of the layers and, beside them, of flows and litres that none of these steps moves.
    if full.equals(base.layers):
        return None
    return rated(found.tanks, full, found.filters, missing(full, found.filters), assumed)


def _classes_if(base: _Base, derived: Tables, assumed: Assumptions, rules: Iterable[Rule]) -> dict[str, str]:
    """The class of each tank with some derived tables or assumptions moved; `rules` are those that this may touch."""
    week, chosen = base.week, list(rules)
    facts = gather({**week.tables, **derived}, base.asks, assumed, week.round)
    names = [rule.__name__ for rule in chosen]
    kept = week.table("finding").filter((pl.col("as_of") != week.as_of) | ~pl.col("rule").is_in(names))
    found = pl.concat([conform("finding", kept), found_by(facts, chosen)])
    noted = week.table("noted").drop_nulls("until").select("tank", "rule", "until")
    told = quieten(found, noted, assumed["worse_share"]).filter((pl.col("as_of") == week.as_of) & ~pl.col("quiet"))
    order = {name: place for place, name in enumerate(CLASSES)}
    best = told.group_by("tank").agg(pl.col("class").replace_strict(order, return_dtype=pl.Int64).min().alias("place"))
    return dict.fromkeys(base.asks["tank"], "steady") | {tank: CLASSES[place] for tank, place in best.iter_rows()}


def _nitrate_if(base: _Base, step: str, assumed: Assumptions) -> Tables:
    week = base.week
    if step == FIT:
        return nitrate.calculate_nitrate(week.tables, base.asks, assumed, week.round, capacity=week.now("capacity"))
    outlook = week.now("nitrate_outlook").drop("trend")
    asks = outlook.select(ASK)
    trend = trend_of(asks, week.now("nitrate_fit"), week.now("step_alarm"), assumed)
    return {"nitrate_outlook": conform("nitrate_outlook", outlook.with_columns(trend))}


def _moved(base: _Base, assumption: Assumption, end: str, value: float) -> list[Move]:
    """What moves when one assumption is at one end."""
    step = ENTERS.get(assumption.name, NONE)
    assumed = base.week.assumed.with_values(**{assumption.name: value})
    classes, moves = base.classes, []
    if step in (TREND, FIT):
        classes = _classes_if(base, _nitrate_if(base, step, assumed), assumed, OF_RATING)
    elif step == RULE:
        classes = _classes_if(base, {}, assumed, RULES)
    elif step != NONE:
        capacity = _capacity_if(base, step, assumed)
        if capacity is None:
            return []
        both = base.capacity.join(capacity, on=ASK, suffix="_if")
        for of in ("plain", "working"):
            changed = both.filter(pl.col(f"{of}_state").ne_missing(pl.col(f"{of}_state_if")))
            moves += [
                Move(assumption.name, end, value, tank, of, was, would)
                for tank, was, would in changed.select("tank", f"{of}_state", f"{of}_state_if").iter_rows()
            ]
        if both.filter(pl.any_horizontal(pl.col(c).ne_missing(pl.col(f"{c}_if")) for c in DECIDES)).height:
            earlier = base.week.table("capacity").filter(
                pl.col("as_of") != base.week.as_of
            )  # recorded overload looks back a week
            both_days = pl.concat([earlier, conform("capacity", capacity)])
            classes = _classes_if(base, {"capacity": both_days}, assumed, OF_RATING)
    moves += [
        Move(assumption.name, end, value, tank, "class", was, classes[tank])
        for tank, was in base.classes.items()
        if classes.get(tank, was) != was
    ]
    return moves


def hangs_on(week: Week, names: Iterable[str] | None = None) -> list[Move]:
    """Every tank whose class or rating would be told by another word if an assumption moved to an end of its stated range.

    `names` are the assumptions to move, all with a stated range where none are given.
    """
    if not week.now("review").height:
        return []
    base = _base(week)
    wanted = week.assumed.records() if names is None else [week.assumed.assumption(name) for name in names]
    return [
        move
        for assumption in wanted
        for end, value in ends(assumption)
        for move in _moved(base, assumption, end, value)
    ]
