"""What readings say side by side: two cells of a session, two tanks of a site on one day, a tank and its filter.

Tanks are compared within their site only: sheets are read some sites at a time.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.intake.columns import Given, issue_rows, join_issues
from pipeline.intake.series import REACH_READINGS, back, hits, near_enough, number, say
from schemas import Tables
from schemas.words import PARAMETER_TITLES

COMPARED = ("nitrate", "ph", "kh", "gh", "temperature")
SESSION = ["tank", "at", "taken"]
# Two columns a hand may confuse, and what is done where each value fits the other's past and not its own.
CONFUSED = (("kh", "gh", "held"), ("ph", "kh", "warned"))
FAR = pl.date(9999, 12, 31)
Parts = dict[str, pl.DataFrame]


def swapped_by_limits(placed: pl.DataFrame, given: Given) -> tuple[pl.DataFrame, pl.DataFrame]:
    """pH and temperature that stand in each other's cell: 25 is no pH, and 7.2 beside it is one. Both are held and emptied."""
    f = given.figures
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
    rows = placed.filter(turned)
    if rows.height == 0:
        return placed, join_issues([])
    told = [
        issue_rows(
            rows,
            pl.col("line").is_not_null(),
            column=here,
            text=pl.col(here),
            outcome="held",
            fault="swapped",
            says=pl.lit("pH and temperature are swapped: expected each in its own column. Neither is used."),
            suggestion=pl.col(there),
        )
        for here, there in (("ph", "temperature"), ("temperature", "ph"))
    ]
    emptied = (pl.when(turned).then(pl.lit("")).otherwise(pl.col(name)).alias(name) for name in ("ph", "temperature"))
    return placed.with_columns(emptied), join_issues(told)


def usual_ranges(rows: pl.DataFrame) -> pl.DataFrame:
    """One parameter's readings with the range that the last four before each lie in; null where they are too few.

    `strange`: the reading lies wholly outside that range.
    """
    before = range(1, REACH_READINGS + 1)
    series = (
        rows.filter(pl.col("taken") != "after")
        .select("row", "order", "tank", "day", "low", pl.col("high").fill_null(float("inf")))
        .sort("order")
        .with_columns(
            pl.when(near_enough()).then(pl.min_horizontal(back("low", i) for i in before)).alias("usual_low"),
            pl.when(near_enough()).then(pl.max_horizontal(back("high", i) for i in before)).alias("usual_high"),
        )
    )
    outside = (pl.col("low") > pl.col("usual_high")) | (pl.col("high") < pl.col("usual_low"))
    return series.filter(pl.col("usual_low").is_not_null()).with_columns(outside.alias("strange"))


def confused_columns(parts: Parts, ranges: Mapping[str, pl.DataFrame]) -> tuple[Parts, list[pl.DataFrame]]:
    """KH and GH, or pH and KH, that stand in each other's cell. Held cells leave their parts."""
    told: list[pl.DataFrame] = []
    left = dict(parts)
    for one, other, outcome in CONFUSED:
        if one not in ranges or other not in ranges:
            continue
        sides = []
        for name in (one, other):
            strange = ranges[name].filter("strange")
            words = parts[name].select("row", *SESSION, "file", "line", "text", "parameter")
            sides.append(strange.drop("tank", "day", "order").join(words, on="row", how="left"))
        pairs = (
            sides[0]
            .join(sides[1], on=SESSION, suffix="_b")
            .filter(
                (pl.col("low") <= pl.col("usual_high_b"))
                & (pl.col("high") >= pl.col("usual_low_b"))
                & (pl.col("low_b") <= pl.col("usual_high"))
                & (pl.col("high_b") >= pl.col("usual_low"))
            )
        )
        if pairs.height == 0:
            continue
        both = f"{PARAMETER_TITLES[one]} and {PARAMETER_TITLES[other]}"
        says = (
            f"{both} are swapped, going by the visits before: expected each in its own column."
            if outcome == "held"
            else f"Each fits the other's column better: are {both} swapped?"
        )
        turned = pairs.select(
            pl.col(f"{name}_b").alias(name) for name in ("row", "file", "line", "text", "parameter")
        ).with_columns(pairs["text"].alias("text_b"))
        for side in (pairs, turned):
            suggestion = pl.col("text_b") if outcome == "held" else None
            told.append(say(side, "swapped", pl.lit(says), outcome, suggestion))
            if outcome == "held":
                name = str(side["parameter"][0])
                left[name] = left[name].filter(~pl.col("row").is_in(side["row"].implode()))
    return left, told


def odd_pairs(parts: Parts, given: Given) -> list[pl.DataFrame]:
    """A pH that nothing would hold up."""
    bare = parts["kh"].filter(pl.col("matched") == 0).select(*SESSION).unique()
    high = parts["ph"].filter(pl.col("matched") >= given.figures["ph_odd_without_kh"])
    found = high.join(bare, on=SESSION, how="semi", maintain_order="left")
    says = pl.format(
        "pH {} with KH 0: nothing would hold it there. One of the two is wrong: test KH again.", number("matched")
    )
    return [say(found, "odd pair", says)]


def _strange_rows(ranges: Mapping[str, pl.DataFrame], least: int) -> pl.DataFrame:
    """The sheet rows with enough strange readings: `least` of them, or all where fewer are compared."""
    many = max((int(frame["row"].to_numpy().max()) + 1 for frame in ranges.values() if frame.height), default=0)
    compared, strange = np.zeros(many, dtype=np.int64), np.zeros(many, dtype=np.int64)
    for frame in ranges.values():
        row = frame["row"].to_numpy()  # once a parameter
        compared[row] += 1
        strange[row] += frame["strange"].fill_null(False).to_numpy()
    enough = (strange > 0) & (strange >= np.minimum(least, compared))
    return pl.DataFrame({"row": np.flatnonzero(enough)}, schema={"row": pl.UInt32})


def wrong_tank(parts: Parts, ranges: Mapping[str, pl.DataFrame], standing: Tables, given: Given) -> list[pl.DataFrame]:
    """Two tanks of a site whose readings of a day each fit the other better than their own: both are asked about."""
    least, most = int(given.figures["wrong_tank_cells"]), int(given.figures["wrong_tank_sessions"])
    rows = _strange_rows(ranges, least)
    if rows.height < 2:
        return []
    site = standing["tank"].select("tank", "site", pl.coalesce("name", "tank").alias("name"))
    cells = pl.concat(
        frame.join(rows, on="row", how="semi").with_columns(pl.lit(name).alias("parameter"))
        for name, frame in ranges.items()
    ).join(site, on="tank", how="inner")
    # Where many tanks of a site are strange on one day it is the kit, or the person, not their names.
    sessions = cells.group_by("site", "day").agg(pl.col("row").n_unique().alias("many"))
    few = sessions.filter(pl.col("many").is_between(2, most))
    cells = cells.join(few, on=["site", "day"], how="semi")
    pairs = cells.join(cells, on=["site", "day", "parameter"], suffix="_b").filter(pl.col("tank") != pl.col("tank_b"))
    fits = (pl.col("low") <= pl.col("usual_high_b")) & (pl.col("high") >= pl.col("usual_low_b"))
    judged = (
        pairs.group_by("row", "row_b", "tank_b", "name_b")
        .agg(pl.len().alias("n"), fits.sum().alias("there"), pl.col("strange").sum().alias("wrong here"))
        .filter((pl.col("there") == pl.col("n")) & (pl.col("wrong here") >= pl.min_horizontal(pl.lit(least), "n")))
    )
    both = judged.join(
        judged.select(pl.col("row_b").alias("row"), pl.col("row").alias("row_b")), on=["row", "row_b"], how="semi"
    )
    both = both.sort("row", "row_b").unique("row", keep="first", maintain_order=True)
    if both.height == 0:
        return []
    says = pl.format("The readings fit {} ({}), and its readings fit this tank: swapped?", "name_b", "tank_b")
    told = []
    for name, frame in ranges.items():
        found = frame.filter("strange").join(both, on="row", how="inner").sort("row")
        told.append(say(hits(found, parts[name], pl.lit(True)), "swapped", says))
    return told


def flows(rows: pl.DataFrame, standing: Tables, given: Given) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Flow timed at an outlet against the filter that stood there: more than its pump gives is held, too little is asked
    about. Where a tank has several filters, the strongest and the weakest of them are the measure."""
    f = given.figures
    filters = (
        standing["filter"]
        .join(standing["filter_model"].select("model", "rated_flow_l_h"), on="model", how="left")
        .select("filter", "rated_flow_l_h", "clean_flow_l_h")
    )
    stood = (
        rows.select("row", "tank", "day")
        .join(standing["placement"].select("filter", "tank", "from", "to"), on="tank")
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
    known = rows.join(stood, on="row", how="left", maintain_order="left")
    over = ~pl.col("open") & (pl.col("matched") > pl.col("rated") * f["flow_hold_over_rated"])
    share = pl.col("matched") / pl.col("clean")
    too_much = known.filter(over.fill_null(False))
    told = [
        say(
            too_much,
            "over the rated flow",
            pl.format(
                "{} L/h is more than a pump rated {} L/h gives; expected less. Time it again.",
                number("matched"),
                pl.col("rated").round(0).cast(pl.Int64),
            ),
            "held",
        ),
        say(
            known.filter((~over & (share < f["low_flow_share"])).fill_null(False)),
            "low flow",
            pl.format(
                "That is {} % of what filter {} gives when clean.", (share * 100).round(0).cast(pl.Int64), "filter"
            ),
        ),
    ]
    return rows.filter(~pl.col("row").is_in(too_much["row"].implode())), told
