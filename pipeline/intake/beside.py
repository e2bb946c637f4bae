"""What readings say side by side: two cells of a session, two tanks of a site on one day, a tank and its filter.

Tanks are compared within their site only: sheets are read some sites at a time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import reduce

import numpy as np
import polars as pl

from pipeline.intake.coded import Cells, coded, crossed
from pipeline.intake.columns import Given, issue_rows, join_issues
from pipeline.intake.readings import Batch, Parts
from pipeline.intake.series import REACH_READINGS, all_near, before, number
from schemas import Tables
from schemas.words import PARAMETER_TITLES

COMPARED = ("nitrate", "ph", "kh", "gh", "temperature")
SESSION = ["tank id", "at", "taken"]
# Two columns a hand may confuse, and what is done where each value fits the other's past and not its own.
CONFUSED = (("kh", "gh", "held"), ("ph", "kh", "warned"))
FAR = pl.date(9999, 12, 31)


def swapped_by_limits(placed: pl.DataFrame, given: Given) -> tuple[pl.DataFrame, pl.DataFrame]:
    """pH and temperature that stand in each other's cell: 25 is no pH, and 7.2 beside it is one. Both are held and emptied."""
    f = given.assumed
    low, high = f["ph_hold_below"], f["ph_hold_above"]
    ph, warmth = (
        pl.col(name).str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
        for name in ("ph", "temperature")
    )
    texts = crossed([coded(placed["ph"]), coded(placed["temperature"])])
    both = Cells(texts.codes, texts.values)
    turned = both.select(
        (
            (ph > high)
            & ph.is_between(f["temperature_hold_below"], f["temperature_hold_above"])
            & warmth.is_between(low, high)
        ).fill_null(False)
    )
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


@dataclass(frozen=True)
class Ranges:
    """One parameter's readings beside the range that the last four before each lie in, where there are four within reach.

    `strange`: the reading lies wholly outside that range. Shapes: (n,) each. Units: the parameter's own.
    """

    reading: pl.DataFrame  # row, tank, day, meaning of each
    low: np.ndarray
    high: np.ndarray
    usual_low: np.ndarray
    usual_high: np.ndarray
    strange: np.ndarray

    def frame(self, which: np.ndarray) -> pl.DataFrame:
        """Some of them as a frame."""
        places = np.flatnonzero(which)
        names = ("low", "high", "usual_low", "usual_high", "strange")
        return self.reading[places].with_columns(pl.Series(name, getattr(self, name)[places]) for name in names)


def usual_ranges(part: pl.DataFrame) -> Ranges:
    """The range that a parameter's last four readings lie in, for each reading that has four before it."""
    series = part.filter(~pl.col("after")) if part["after"].any() else part
    low, high = series["low"].to_numpy(), series["high"].fill_null(float("inf")).to_numpy()
    tank, day = series["tank"].to_numpy(), series["day"].to_physical().to_numpy()
    reading = series.select("row", "tank", "day", "meaning")
    if low.size <= REACH_READINGS:
        return Ranges(reading.clear(), *(np.zeros(0),) * 4, np.zeros(0, dtype=bool))
    near = all_near(tank, day)
    places = np.flatnonzero(near) + REACH_READINGS
    usual_low = reduce(np.minimum, before(low))[near]
    usual_high = reduce(np.maximum, before(high))[near]
    low, high = low[places], high[places]
    strange = (low > usual_high) | (high < usual_low)
    return Ranges(reading[places], low, high, usual_low, usual_high, strange)


def confused_columns(batch: Batch, parts: Parts, ranges: Mapping[str, Ranges]) -> tuple[Parts, list[pl.DataFrame]]:
    """KH and GH, or pH and KH, that stand in each other's cell. Held cells leave their parts."""
    told: list[pl.DataFrame] = []
    left = dict(parts)
    for one, other, outcome in CONFUSED:
        if one not in ranges or other not in ranges:
            continue
        sides = [batch.worded(ranges[name].frame(ranges[name].strange), name) for name in (one, other)]
        pairs = (
            sides[0]
            .join(sides[1], on=SESSION, suffix="_b", maintain_order="left_right")
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
        words = ("row", "file", "line", "text", "parameter", "cell")
        turned = pairs.select(pl.col(f"{name}_b").alias(name) for name in words).with_columns(
            pairs["text"].alias("text_b")
        )
        for name, side in ((one, pairs), (other, turned)):
            suggestion = pl.col("text_b") if outcome == "held" else None
            told.append(batch.say(name, side, "swapped", pl.lit(says), outcome, suggestion))
            if outcome == "held":
                left[name] = left[name].filter(~pl.col("row").is_in(side["row"].implode()))
    return left, told


def odd_pairs(batch: Batch, parts: Parts, given: Given) -> list[pl.DataFrame]:
    """A pH that nothing would hold up."""
    high = parts["ph"].filter(pl.col("matched") >= given.assumed["ph_odd_without_kh"])
    bare = parts["kh"].filter(pl.col("matched") == 0)
    if high.height == 0 or bare.height == 0:
        return []
    sessions = batch.worded(bare, "kh").select(SESSION).unique()
    found = batch.worded(high, "ph").join(sessions, on=SESSION, how="semi", maintain_order="left")
    says = pl.format(
        "pH {} with KH 0: nothing would hold it there. One of the two is wrong: test KH again.", number("matched")
    )
    return [batch.say("ph", found, "odd pair", says)]


def _strange_rows(ranges: Mapping[str, Ranges], least: int, many: int) -> np.ndarray:
    """Which sheet rows have enough strange readings: `least` of them, or all where fewer are compared."""
    compared, strange = np.zeros(many, dtype=np.int64), np.zeros(many, dtype=np.int64)
    for one in ranges.values():
        row = one.reading["row"].to_numpy()  # once a parameter
        compared[row] += 1
        strange[row] += one.strange
    enough: np.ndarray = (strange > 0) & (strange >= np.minimum(least, compared))
    return enough


def wrong_tank(
    batch: Batch, parts: Parts, ranges: Mapping[str, Ranges], standing: Tables, given: Given
) -> list[pl.DataFrame]:
    """Two tanks of a site whose readings of a day each fit the other better than their own: both are asked about."""
    least, most = int(given.assumed["wrong_tank_cells"]), int(given.assumed["wrong_tank_sessions"])
    enough = _strange_rows(ranges, least, batch.visit.height)
    if np.count_nonzero(enough) < 2:
        return []
    site = standing["tank"].select(
        pl.col("tank").alias("tank id"), "site", pl.coalesce("name", "tank").alias("name")
    ).with_row_index("tank")  # fmt: skip
    cells = pl.concat(
        one.frame(enough[one.reading["row"].to_numpy()]).with_columns(pl.lit(name).alias("parameter"))
        for name, one in ranges.items()
    ).join(site, on="tank", how="inner", maintain_order="left")
    # Where many tanks of a site are strange on one day it is the kit, or the person, not their names.
    sessions = cells.group_by("site", "day").agg(pl.col("row").n_unique().alias("many"))
    few = sessions.filter(pl.col("many").is_between(2, most))
    cells = cells.join(few, on=["site", "day"], how="semi")
    pairs = cells.join(cells, on=["site", "day", "parameter"], suffix="_b").filter(pl.col("tank") != pl.col("tank_b"))
    fits = (pl.col("low") <= pl.col("usual_high_b")) & (pl.col("high") >= pl.col("usual_low_b"))
    judged = (
        pairs.group_by("row", "row_b", "tank id_b", "name_b")
        .agg(pl.len().alias("n"), fits.sum().alias("there"), pl.col("strange").sum().alias("wrong here"))
        .filter((pl.col("there") == pl.col("n")) & (pl.col("wrong here") >= pl.min_horizontal(pl.lit(least), "n")))
    )
    both = judged.join(
        judged.select(pl.col("row_b").alias("row"), pl.col("row").alias("row_b")), on=["row", "row_b"], how="semi"
    )
    both = both.sort("row", "row_b").unique("row", keep="first", maintain_order=True)
    if both.height == 0:
        return []
    says = pl.format("The readings fit {} ({}), and its readings fit this tank: swapped?", "name_b", "tank id_b")
    told = []
    for name, one in ranges.items():
        found = (
            one.frame(one.strange)
            .join(both, on="row", how="inner")
            .join(parts[name].select("row"), on="row", how="semi")  # not those that are held meanwhile
            .sort("row")
        )
        told.append(batch.say(name, found, "swapped", says))
    return told


def flows(batch: Batch, part: pl.DataFrame, standing: Tables, given: Given) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Flow timed at an outlet against the filter that stood there: more than its pump gives is held, too little is asked
    about. Where a tank has several filters, the strongest and the weakest of them are the measure."""
    f = given.assumed
    rows = batch.worded(part, "flow_l_h")
    filters = (
        standing["filter"]
        .join(standing["filter_model"].select("model", "rated_flow_l_h"), on="model", how="left")
        .select("filter", "rated_flow_l_h", "clean_flow_l_h")
    )
    stood = (
        rows.select("row", pl.col("tank id").alias("tank"), "day")
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
        batch.say(
            "flow_l_h",
            too_much,
            "over the rated flow",
            pl.format(
                "{} L/h is more than a pump rated {} L/h gives; expected less. Time it again.",
                number("matched"),
                pl.col("rated").round(0).cast(pl.Int64),
            ),
            "held",
        ),
        batch.say(
            "flow_l_h",
            known.filter((~over & (share < f["low_flow_share"])).fill_null(False)),
            "low flow",
            pl.format(
                "That is {} % of what filter {} gives when clean.", (share * 100).round(0).cast(pl.Int64), "filter"
            ),
        ),
    ]
    return part.filter(~pl.col("row").is_in(too_much["row"].implode())), told
