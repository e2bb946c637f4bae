"""What readings say side by side: two cells of a session, two tanks of a site on one day, a tank and its filter."""

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.intake.columns import KEY, Context, issue_rows, join_issues, no_issues
from pipeline.intake.series import REACH_DAYS, Parts, back, doubted, said
from schemas import Tables, conform, empty
from schemas.parameters import RECORDS
from schemas.words import PARAMETER_TITLES

COMPARED = tuple(record.name for record in RECORDS if record.compared)
SESSION = ["tank", "at", "taken"]
# Two columns a hand may confuse, and what is done where each value fits the other's past and not its own.
CONFUSED = (("kh", "gh", "held"), ("ph", "kh", "warned"))
FAR = pl.date(9999, 12, 31)


def swapped_by_limits(placed: pl.DataFrame, context: Context) -> tuple[pl.DataFrame, pl.DataFrame]:
    """pH and temperature that stand in each other's cell: 25 is no pH, and 7.2 beside it is one. Both are held and emptied."""
    f = context.assumed
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
    issues = [
        issue_rows(placed, turned, here, "swapped", suggestion=there)
        for here, there in (("ph", "temperature"), ("temperature", "ph"))
    ]
    cells = (pl.when(~turned).then(pl.col(name)).otherwise(pl.lit("")).alias(name) for name in ("ph", "temperature"))
    return placed.with_columns(cells), join_issues(issues)


def confused_columns(parts: Parts, ranges: Mapping[str, pl.DataFrame]) -> tuple[Parts, list[pl.DataFrame]]:
    """KH and GH, or pH and KH, that stand in each other's cell. Held cells leave their parts."""
    issues: list[pl.DataFrame] = []
    left = dict(parts)
    for one, other, outcome in CONFUSED:
        if one not in ranges or other not in ranges:
            continue
        pair = {name: ranges[name].filter("strange") for name in (one, other)}
        both = f"{PARAMETER_TITLES[one]} and {PARAMETER_TITLES[other]}"
        held = outcome == "held"
        case = "swapped: by the visits" if held else "swapped: asked"
        fits = (
            (pl.col("low") <= pl.col("usual_high_b"))
            & (pl.col("high") >= pl.col("usual_low_b"))
            & (pl.col("low_b") <= pl.col("usual_high"))
            & (pl.col("high_b") >= pl.col("usual_low"))
        )
        for name, rival in ((one, other), (other, one)):
            rows = pair[name].join(pair[rival], on=SESSION, suffix="_b", maintain_order="left_right").filter(fits)
            issues.append(said(rows, case, outcome, "text_b" if held else None, shown={"both": both}))
            if held:
                left[name] = left[name].join(rows.select("row"), on="row", how="anti", maintain_order="left")
    return left, issues


def odd_pairs(parts: Parts, context: Context) -> pl.DataFrame:
    """A pH that nothing would hold up."""
    high = parts["ph"].filter(pl.col("matched") >= context.assumed["ph_odd_without_kh"])
    bare = parts["kh"].filter(pl.col("matched") == 0).select(SESSION).unique()
    found = high.join(bare, on=SESSION, how="semi", maintain_order="left")
    return said(found, "odd pair")


def wrong_tank(
    parts: Parts, ranges: Mapping[str, pl.DataFrame], standing: Tables, context: Context
) -> tuple[list[pl.DataFrame], list[pl.DataFrame]]:
    """Two tanks of a site whose readings of a day each fit the other better than their own: both are asked about.

    The issues, and the rows of table `doubt`.
    """
    none = [conform("doubt", empty("doubt")).with_columns(pl.lit(None, pl.String).alias("column"))]
    least, most = int(context.assumed["wrong_tank_cells"]), int(context.assumed["wrong_tank_sessions"])
    names = ["row", "tank", "day", "parameter", "low", "high", "usual_low", "usual_high", "strange"]
    if not ranges:
        return [], none
    odd = pl.concat([one.filter("strange").select("row") for one in ranges.values()]).unique()
    cells = pl.concat([one.select(names).join(odd, on="row", how="semi") for one in ranges.values()])
    strange, many = pl.col("strange").sum().over("row"), pl.len().over("row")
    cells = cells.filter((strange > 0) & (strange >= pl.min_horizontal(pl.lit(least), many)))
    if cells["row"].n_unique() < 2:
        return [], none
    named = standing["tank"].select("tank", "site", pl.coalesce("name", "tank").alias("name"))
    cells = cells.join(named, on="tank", how="inner", maintain_order="left")
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
    rows = [
        one.filter("strange")
        .join(both, on="row", how="inner", maintain_order="left")
        .join(parts[name].select("row"), on="row", how="semi", maintain_order="left")  # not those held meanwhile
        for name, one in ranges.items()
    ]
    return [said(one, "swapped: tanks") for one in rows], [
        doubted(one, "wrong tank", other=pl.col("tank_b")) for one in rows
    ]


def flows(part: pl.DataFrame, standing: Tables, context: Context) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Flow timed at an outlet against the filter that stood there: more than its pump gives is held, too little is asked
    about. Where a tank has several filters, the strongest and the weakest of them are the measure."""
    f = context.assumed
    models = standing["filter_model"].select("model", "rated_flow_l_h")
    filters = (
        standing["filter"].join(models, on="model", how="left").select("filter", "rated_flow_l_h", "clean_flow_l_h")
    )
    stood = (
        part.select("row", "tank", "day")
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
    known = part.join(stood, on="row", how="left", maintain_order="left")
    over = (~pl.col("open") & (pl.col("matched") > pl.col("rated") * f["flow_hold_over_rated"])).fill_null(False)
    share = pl.col("matched") / pl.col("clean")
    too_much = known.filter(over)
    weak = known.filter(~over & (share < f["low_flow_share"])).with_columns((share * 100).alias("share"))
    return part.join(too_much.select("row"), on="row", how="anti", maintain_order="left"), [
        said(too_much.with_columns(pl.col("matched").alias("flow")), "over the rated flow", "held"),
        said(weak, "low flow"),
    ]


def copied(read: Parts, parts: Parts, standing: Tables, context: Context) -> list[pl.DataFrame]:
    """The same cells, at least four: four visits running, or across tanks. Coarse steps repeat honestly: it only asks.

    `read` has all readings, `parts` those that are not held since.
    """
    f = context.assumed
    cells, visits, tanks = int(f["copied_cells"]), int(f["copied_visits"]), int(f["copied_tanks"])
    if not parts:
        return []
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
    before = NUMBERS.get(visits - 1, visits - 1)
    return [_ask(read, down, "copied down", {"visits": before}), _ask(read, across, "copied down: in a site")]


NUMBERS = {2: "two", 3: "three", 4: "four", 5: "five"}


def _ask(read: Parts, rows: pl.DataFrame, case: str, shown: Mapping[str, object] | None = None) -> pl.DataFrame:
    """One remark for each sheet row of `rows`, with its cells as typed."""
    if rows.height == 0:
        return no_issues()
    cells = pl.concat([
        part.select("row", *KEY, "parameter", "text").join(rows, on="row", how="inner") for part in read.values()
    ])  # fmt: skip
    others = [pl.col(name).first() for name in rows.columns if name != "row"]
    lists = pl.col("parameter", "text")
    found = cells.sort("row", "parameter").group_by("row", *KEY, maintain_order=True).agg(lists, *others)
    typed = ["|".join(f"{name}={text}" for name, text in zip(*row, strict=True))
             for row in found.select("parameter", "text").iter_rows()]  # fmt: skip
    found = found.with_columns(pl.Series("all", typed, pl.String))
    return issue_rows(found, None, None, case, outcome="warned", text="all", shown=shown)
