"""A tank's readings in order, with what stood before each, and what readings say side by side: two cells of a session, two
values of one thing, two tanks of a site on one day, a tank and its filter. How far any check looks back is said here."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from pipeline.intake.columns import KEY, Collected, side_by_side
from schemas import Tables, conform
from schemas.parameters import RECORDS
from schemas.words import PARAMETER_TITLES

REACH_READINGS = 4  # readings back that any check of a tank's own series looks at
REACH_DAYS = 120  # days back, and no further, however few the readings
Parts = dict[str, pl.DataFrame]  # readings by parameter, in order of tank and time
TEXT = pl.Categorical  # each text once: there are few of them, in millions of rows
PART: dict[str, Any] = {
    "row": pl.UInt32, "file": TEXT, "line": pl.Int64, "tank": TEXT, "no": pl.UInt32, "day": pl.Date,
    "at": pl.Datetime("us"), "taken": TEXT, "after": pl.Boolean, "retest": pl.Boolean, "long": pl.Boolean,
    "text": TEXT, "parameter": TEXT, "low": pl.Float64, "high": pl.Float64, "matched": pl.Float64,
    "outcome": TEXT, "kit": TEXT, "unit": TEXT, "column": TEXT, "expired": pl.Boolean,
}  # fmt: skip
COMPARED = tuple(record.name for record in RECORDS if record.compared)
RETEST = r"(?i)\bre-?test"
DO = "Reject the wrong one."
SESSION = ["tank", "at", "taken"]
# Two columns a hand may confuse, and what is done where each value fits the other's past and not its own.
CONFUSED = (("kh", "gh", "held"), ("ph", "kh", "warned"))
FAR = pl.date(9999, 12, 31)


def ask(found: Collected, rows: pl.DataFrame, case: str = "", doubt: str = "", **more: Any) -> None:
    """What is said of readings in the sentence of a case, and their rows of table `doubt`, of which size, would_be and other
    are given as expressions; the rest is as for any issue."""
    cells = {name: more.pop(name) for name in ("size", "would_be", "other") if name in more}
    if case and rows.height:
        found.say(rows, pl.col("column"), case, text="text", **{"outcome": "warned", **more})
    if doubt and rows.height:
        # The column of each stays beside it, for answers.
        asked = conform("doubt", rows.with_columns(doubt=pl.lit(doubt), **cells))
        asked = asked.with_columns(rows["column"].cast(pl.String))
        found.doubts.append(asked)


def back(column: str | pl.Expr, steps: int) -> pl.Expr:
    """What stood so many rows before in the same tank, in a frame sorted by tank; null where it was another's."""
    value = pl.col(column) if isinstance(column, str) else column
    return pl.when(pl.col("no") == pl.col("no").shift(steps)).then(value.shift(steps))


def series_of(part: pl.DataFrame) -> pl.DataFrame:
    """One parameter's readings, in order of tank and time, with what stood before each; without those after a change."""
    return part.filter(~pl.col("after")).with_columns(
        back("matched", 1).alias("last"),
        back("low", 1).alias("last_low"),
        back(pl.col("high").fill_null(float("inf")), 1).alias("last_high"),
        back("kit", 1).alias("last_kit"),
        (pl.col("day") - back("day", 1)).dt.total_days().alias("gap"),
    )


def all_near() -> pl.Expr:
    """Whether a tank's last REACH_READINGS readings are there and all lie within reach."""
    return (pl.col("day") - back("day", REACH_READINGS)).dt.total_days() <= REACH_DAYS


def with_usual(series: pl.DataFrame) -> pl.DataFrame:
    """`usual`: the median of the last REACH_READINGS readings; null where they are fewer, or lie too far back."""
    past = [back("matched", i) for i in range(1, REACH_READINGS + 1)]
    inner = (pl.sum_horizontal(past) - pl.max_horizontal(past) - pl.min_horizontal(past)) / (REACH_READINGS - 2)
    return series.with_columns(pl.when(all_near()).then(inner).alias("usual"))


def usual_ranges(part: pl.DataFrame) -> pl.DataFrame:
    """Each reading that has four before it within reach, with the range those lie in, and whether it is `strange`: wholly
    outside that range."""
    steps = range(1, REACH_READINGS + 1)
    high = pl.col("high").fill_null(float("inf"))
    ranged = part.filter(~pl.col("after")).with_columns(
        high.alias("high"),
        pl.min_horizontal(back("low", i) for i in steps).alias("usual_low"),
        pl.max_horizontal(back(high, i) for i in steps).alias("usual_high"),
        all_near().alias("near"),
    )
    strange = (pl.col("low") > pl.col("usual_high")) | (pl.col("high") < pl.col("usual_low"))
    return ranged.filter("near").with_columns(strange.alias("strange"))


def without(part: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Readings without those of some rows."""
    return part.filter(~pl.col("row").is_in(rows["row"].implode())) if rows.height else part


def swapped_by_limits(placed: pl.DataFrame, found: Collected) -> pl.DataFrame:
    """pH and temperature that stand in each other's cell: 25 is no pH, and 7.2 beside it is one. Both are held and emptied."""
    f = found.assumed
    low, high = f["ph_hold_below"], f["ph_hold_above"]
    ph, warmth = (
        pl.col(name).str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
        for name in ("ph", "temperature")
    )
    turned = (
        (ph > high)
        & ph.is_between(f["temperature_hold_below"], f["temperature_hold_above"])
        & warmth.is_between(low, high)
    ).fill_null(False)
    for here, there in (("ph", "temperature"), ("temperature", "ph")):
        found.say(placed, here, "swapped", turned, suggestion=there)
    return placed.with_columns(pl.when(~turned).then(pl.col("ph", "temperature")).otherwise(pl.lit("")))


def confused_columns(parts: Parts, ranges: Mapping[str, pl.DataFrame], found: Collected) -> None:
    """KH and GH, or pH and KH, that stand in each other's cell. Held cells leave their parts."""
    for one, other, outcome in CONFUSED:
        if other not in ranges:
            continue
        held, both = outcome == "held", {"both": f"{PARAMETER_TITLES[one]} and {PARAMETER_TITLES[other]}"}
        case = "swapped: by the visits" if held else "swapped: asked"
        fits = (
            (pl.col("low") <= pl.col("usual_high_b"))
            & (pl.col("high") >= pl.col("usual_low_b"))
            & (pl.col("low_b") <= pl.col("usual_high"))
            & (pl.col("high_b") >= pl.col("usual_low"))
        )
        for name, rival in ((one, other), (other, one)):
            strange = ranges[rival].filter("strange")
            rows = ranges[name].filter("strange").join(strange, on=SESSION, suffix="_b", maintain_order="left_right")
            rows = rows.filter(fits)
            ask(found, rows, case, outcome=outcome, suggestion="text_b" if held else None, shown=both)
            if held:
                parts[name] = without(parts[name], rows)


def odd_pairs(parts: Parts, found: Collected) -> None:
    """A pH that nothing would hold up."""
    high = parts["ph"].filter(pl.col("matched") >= found.assumed["ph_odd_without_kh"])
    bare = parts["kh"].filter(pl.col("matched") == 0).select(SESSION).unique()
    ask(found, high.join(bare, on=SESSION, how="semi", maintain_order="left"), "odd pair")


def wrong_tank(parts: Parts, ranges: Mapping[str, pl.DataFrame], standing: Tables, found: Collected) -> None:
    """Two tanks of a site whose readings of a day each fit the other better than their own: both are asked about."""
    least, most = int(found.assumed["wrong_tank_cells"]), int(found.assumed["wrong_tank_sessions"])
    names = ["row", "no", "tank", "day", "parameter", "low", "high", "usual_low", "usual_high", "strange"]
    odd = pl.concat([one.filter("strange").select("row") for one in ranges.values()]).unique()
    cells = pl.concat([one.select(names).join(odd, on="row", how="semi") for one in ranges.values()])
    strange, many = pl.col("strange").sum().over("row"), pl.len().over("row")
    cells = cells.filter((strange > 0) & (strange >= pl.min_horizontal(pl.lit(least), many)))
    named = standing["tank"].select("site", pl.coalesce("name", "tank").alias("name"))
    cells = pl.concat([cells, named[cells["no"]]], how="horizontal")
    # Where many tanks of a site are strange on one day it is the kit, or the person, not their names.
    cells = cells.filter(pl.col("row").n_unique().over("site", "day").is_between(2, most))
    pairs = cells.join(cells, on=["site", "day", "parameter"], suffix="_b").filter(pl.col("tank") != pl.col("tank_b"))
    fits = (pl.col("low") <= pl.col("usual_high_b")) & (pl.col("high") >= pl.col("usual_low_b"))
    judged = (
        pairs.group_by("row", "row_b", "tank_b", "name_b")
        .agg(pl.len().alias("n"), fits.sum().alias("there"), pl.col("strange").sum().alias("wrong here"))
        .filter((pl.col("there") == pl.col("n")) & (pl.col("wrong here") >= pl.min_horizontal(pl.lit(least), "n")))
    )
    turned = judged.select(pl.col("row_b").alias("row"), pl.col("row").alias("row_b"))
    both = judged.join(turned, on=["row", "row_b"], how="semi").sort("row", "row_b")
    both = both.unique("row", keep="first", maintain_order=True).select("row", "tank_b", "name_b")
    for name, one in ranges.items():
        rows = one.filter("strange").join(both, on="row", how="inner", maintain_order="left")
        rows = rows.join(parts[name], on="row", how="semi", maintain_order="left")  # not those held meanwhile
        ask(found, rows, "swapped: tanks", "wrong tank", other=pl.col("tank_b"))


def flows(part: pl.DataFrame, standing: Tables, found: Collected) -> pl.DataFrame:
    """Flow timed at an outlet against the filter that stood there: more than its pump gives is held, too little is asked
    about. Where a tank has several filters, the strongest and the weakest of them are the measure."""
    f = found.assumed
    models = standing["filter_model"].select("model", "rated_flow_l_h")
    filters = standing["filter"].join(models, on="model", how="left")
    stood = (
        part.select("row", "tank", "day")
        .join(standing["placement"].select("filter", pl.col("tank").cast(TEXT), "from", "to"), on="tank")
        .filter((pl.col("from") <= pl.col("day")) & (pl.col("day") <= pl.col("to").fill_null(FAR)))
        .join(filters, on="filter", how="left")
        .sort("row", "clean_flow_l_h", "filter", nulls_last=True)
        .group_by("row", maintain_order=True)
        .agg(
            pl.col("rated_flow_l_h").max().alias("rated"),
            # A pump of no known rating may give anything.
            pl.col("rated_flow_l_h").is_null().any().alias("open"),
            pl.col("clean_flow_l_h").first().alias("clean"),
            pl.col("filter").first(),
        )
    )
    known = part.join(stood, on="row", how="left", maintain_order="left")
    over = (~pl.col("open") & (pl.col("matched") > pl.col("rated") * f["flow_hold_over_rated"])).fill_null(False)
    share = pl.col("matched") / pl.col("clean")
    too_much = known.filter(over).with_columns(pl.col("matched").alias("flow"))
    ask(found, too_much, "over the rated flow", outcome="held")
    weak = known.filter(~over & (share < f["low_flow_share"]))
    ask(found, weak.with_columns((share * 100).alias("share")), "low flow")
    return without(part, too_much)


def copied(read: Parts, parts: Parts, standing: Tables, found: Collected) -> None:
    """The same cells, at least four: four visits running, or across tanks. Coarse steps repeat honestly: it only asks.

    `read` has all readings, `parts` those that are not held since.
    """
    f = found.assumed
    cells, visits, tanks = int(f["copied_cells"]), int(f["copied_visits"]), int(f["copied_tanks"])
    if not parts:
        return
    size = 1 + max(int(part["row"].max()) for part in parts.values())  # type: ignore[arg-type]
    session = {name: np.zeros(size, np.uint64) for name in ("count", "above", "alike", "no", "day")}
    for place, part in enumerate(parts.values()):
        row = part["row"].to_numpy()  # no two readings of a parameter stand in one row
        session["count"][row] += 1
        session["above"][row] += (part["matched"] > 0).to_numpy()
        session["alike"][row] += part["text"].hash(place).to_numpy()
        session["no"][row], session["day"][row] = part["no"].to_numpy(), part["day"].to_physical().to_numpy()
    sessions = pl.DataFrame(session).with_row_index("row").filter(pl.col("count") > 0).cast({"day": pl.Int64})
    run = (pl.col("count") >= cells) & (pl.col("above") >= f["copied_above_zero"])
    for step in range(1, visits):
        run &= pl.col("alike") == back("alike", step)
    within = pl.col("day") - back("day", visits - 1) <= REACH_DAYS
    down = sessions.filter((run & within).fill_null(False)).select("row")
    # One tap feeds a site, so a few cells are alike in all its tanks: here all four must be above 0.
    across = sessions.filter(pl.col("above") >= cells).filter(pl.len().over("day", "alike") > 1)
    across = across.with_columns(standing["tank"]["site"][across["no"]])
    across = across.with_columns(pl.col("no").n_unique().over("site", "day", "alike").alias("tanks"))
    across = across.filter(pl.col("tanks") >= tanks).select("row", "tanks")
    before = {2: "two", 3: "three", 4: "four", 5: "five"}.get(visits - 1, visits - 1)
    for rows, case in ((down, "copied down"), (across, "copied down: in a site")):
        if rows.height:
            cells_of = pl.concat(
                [part.select("row", *KEY, "parameter", "text").join(rows, on="row") for part in read.values()]
            )
            several = cells_of.sort("row", "parameter").group_by("row", *KEY, maintain_order=True)
            grouped = several.agg(
                "parameter", "text", *(pl.col(name).first() for name in rows.columns if name != "row")
            )
            typed = ["|".join(f"{name}={text}" for name, text in zip(*row, strict=True))
                     for row in grouped.select("parameter", "text").iter_rows()]  # fmt: skip
            grouped = grouped.with_columns(pl.Series("all", typed, pl.String))
            found.say(
                grouped, None, case, outcome="warned", text="all", shown={"visits": before} if rows is down else None
            )


def contradicts() -> pl.Expr:
    """Whether the ranges of a group have nothing in common; ranges that only touch are neighbouring steps."""
    least, most = pl.col("low").max(), pl.col("high").fill_null(float("inf")).min()
    return (least > most) | ((least == most) & (pl.struct("low", "high").n_unique() > 1))


def _rivals(
    found: Collected, rows: pl.DataFrame, key: list[str], column: str | pl.Expr, case: str, one: str, **more: Any
) -> None:
    """An issue of each of the rows that names the others of its key, each as `one` says it."""
    if rows.height:
        named = rows.with_columns(side_by_side(rows, key, one + " in {file}, line {line}"))
        found.say(named, column, case, shown={"do": more.pop("do", DO)}, **more)


def two_values(
    frame: pl.DataFrame,
    key: list[str],
    differ: pl.Expr,
    column: pl.Expr,
    found: Collected,
    *,
    unlike: tuple[str, ...] = (),
    do: str = DO,
) -> pl.DataFrame:
    """Rows of the same tank and day: alike, the first is kept; different, all are held, each naming the other.

    `differ` says of a group whether its rows contradict each other; rows that agree though they were read in another
    unit or with another kit count once, and are marked. Rows at different times stand beside each other, and are asked
    about where they differ in `unlike`; a row without a time is no other time. `column` names the cell of each row.
    """
    many = frame.filter(pl.len().over(key) > 1) if frame.height else frame
    if many.height == 0:
        return frame
    kit = pl.col("kit").fill_null("none") if "kit" in frame.columns else pl.lit("")
    rivals = many.with_columns(
        column.alias("column"),
        kit.alias("with kit"),
        ((pl.col("text").n_unique().over(key) == 1) & (kit != "")).alias("by kit"),
        (pl.col("at") == pl.col("day").cast(pl.Datetime("us"))).any().over(key).alias("untimed"),
        differ.over(key).alias("differ"),
        differ.over([*key, "at"]).alias("clash"),
        (pl.struct(unlike).n_unique().over(key) > 1 if unlike else pl.lit(False)).alias("unlike"),
    )
    wrong = pl.col("differ") & (pl.col("untimed") | pl.col("clash"))
    differing = pl.col("unlike") & ~wrong
    for test, outcome, case in (
        (wrong, "held", "two values"),
        (differing & ~pl.col("untimed"), "warned", "two times"),
        (differing & pl.col("untimed"), "warned", "read twice"),
    ):
        for by_kit, place in ((pl.col("by kit"), "“{text}” with kit {with kit}"), (~pl.col("by kit"), "“{text}”")):
            rows = rivals.filter(test & by_kit)
            _rivals(found, rows, key, pl.col("column"), case, place, outcome=outcome, text="text", do=do)
    # Alike at one time, or alike with one of them untimed: told again, and counted once.
    moment = pl.when(pl.col("untimed") & ~pl.col("differ")).then(None).otherwise(pl.col("at"))
    kept = rivals.filter(~wrong).filter(pl.struct(*key, moment.alias("moment")).is_first_distinct())
    return pl.concat([frame.filter(pl.len().over(key) == 1), kept.select(frame.columns)])


def two_changes(change: pl.DataFrame, found: Collected) -> pl.DataFrame:
    """Changes of one tank and day: the same amount as a change and as a top-up, or two amounts, are both held."""
    by_kind = change.sort(KEY).with_columns(pl.col("text").alias("amount"), pl.col("kind_text").alias("text"))
    kinds = pl.col("kind").n_unique() > 1
    key = ["tank", "day", "fraction"]
    kept = two_values(by_kind, key, kinds, pl.lit("change_kind"), found, do="Type the right one where it is not.")
    kept = kept.with_columns(pl.col("amount").alias("text")).drop("amount")
    amount = pl.coalesce("fraction", "litres").round(6).n_unique() > 1
    return two_values(kept, ["tank", "day", "kind"], amount, pl.lit("water_changed"), found)


def two_sights(visit: pl.DataFrame, found: Collected) -> pl.DataFrame:
    """Fish counted or judged differently in two rows of the same tank, time and stage: those cells are held."""
    key = ["tank", "at", "taken"]
    shared = visit.filter(pl.col("fish_seen").is_not_null() | pl.col("fish_look").is_not_null())
    shared = shared.filter(pl.len().over(key) > 1)
    for column in ("fish_seen", "fish_look"):
        seen = pl.col(column).cast(pl.String).str.strip_suffix(".0").alias("seen")
        rivals = shared.with_columns(seen).drop_nulls("seen").filter(pl.col("seen").n_unique().over(key) > 1)
        _rivals(found, rivals, key, column, "two values", "“{seen}”", text="seen")
        visit = emptied(visit, column, rivals)
    return visit


def emptied(frame: pl.DataFrame, column: str, rows: pl.DataFrame) -> pl.DataFrame:
    """The frame without what a column says in some rows (file, line)."""
    if rows.height == 0:
        return frame
    lost = rows.select(*KEY, pl.lit(True).alias("lost")).unique(KEY)
    marked = frame.join(lost, on=KEY, how="left", maintain_order="left")
    return marked.with_columns(pl.when(pl.col("lost").is_null()).then(pl.col(column)).alias(column)).drop("lost")


def differing_cells(
    text: pl.DataFrame, typed: pl.DataFrame, key: list[str], columns: list[str], found: Collected
) -> pl.DataFrame:
    """Rows of one key that were told again with other cells: those cells are held on both sides, the rest counts once.

    `text` holds the cells as they were typed; a row whose key has a blank at its start is no rival of another.
    """
    many = typed.filter((pl.len().over(key) > 1) & pl.col(key[0]).is_not_null())
    if many.height == 0:
        return typed
    as_typed = text.select(*KEY, *(pl.col(c).fill_null("").alias(f"as typed {c}") for c in columns))
    rivals_all = many.select(*KEY, *key).join(as_typed, on=KEY, how="left", maintain_order="left")
    for column in columns:
        cell = pl.col(f"as typed {column}")
        # A blank says nothing, so it contradicts nothing.
        again = cell.str.to_lowercase().replace("", None).drop_nulls().n_unique().over(key)
        rivals = rivals_all.with_columns(cell.alias("cell")).filter((again > 1) & (cell != ""))
        _rivals(found, rivals, key, column, "two values: of a row", "“{cell}”", text="cell")
        typed = emptied(typed, column, rivals)
    alone = (pl.len().over(key) == 1) | pl.col(key[0]).is_null()
    whole = typed.with_columns(
        pl.when(alone).then(pl.col(c)).otherwise(pl.col(c).fill_null(strategy="backward").over(key)).alias(c)
        for c in columns
    )
    return whole.filter(alone | pl.struct(key).is_first_distinct())
