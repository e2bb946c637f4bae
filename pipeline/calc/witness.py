"""The KH witness: does the alkalinity agree with what the nitrate test says became of the food?

Nitrate made from food costs alkalinity, one equivalent a mole; where it is removed again, by the filter or by plants,
the cost is given back. So flat nitrate with falling KH throws doubt on the nitrate test, flat nitrate with steady KH
agrees with removal. Middelburg, Soetaert & Hagens 2020, Reviews of Geophysics 58, e2019RG000681, Table 2.
"""

import datetime as dt

import numpy as np
import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.calc.balance_rows import Rows, build_rows
from pipeline.calc.balance_windows import batches, rows_until, spans
from pipeline.calc.cells import Array, Assumed
from pipeline.calc.layers import first_of, table
from pipeline.calc.nitrate_design import BoolArray, IntArray, design
from pipeline.sentences import filled
from pipeline.sentences import table as sentences
from pipeline.units import caco3_per_dh, caco3_per_meq, molar_masses
from schemas import Tables

CANNOT_TELL, DOUBT, REMOVAL, MORE_ACID = "cannot tell", "doubt the nitrate test", "consistent with removal", "more acid"
# What spoils the witness where it is noted of a tank, in any spelling of a note.
SPOILS = r"(?i)\b(?:lime|chalk|coral|aragonite|buffer|bicarbonate|co2|co₂|carbon dioxide)"


def kh_per_nitrate(assumed: Assumptions) -> float:
    """°dH of KH that 1 mg/L NO3 made from food costs (C6, C8 of the published checks: 0.0452)."""
    return caco3_per_meq(assumed) / molar_masses(assumed)["NO3"] / caco3_per_dh(assumed)


def predictions(kh: Array, kept: Array, renewed: Array, days: Array, rise: Array, cost: float) -> tuple[Array, Array]:
    """KH at the end of a span [°dH]: with none of the food's nitrate removed, and with all of it.

    kh [°dH] at its start; `kept` the share of the first water left after its changes; `renewed` [°dH] what the new
    water brought; `days` of making that the water still holds; `rise` [mg/L NO3 per day] that the food makes.
    """
    removed = kh * kept + renewed
    return removed - cost * rise * days, removed


def judge(none_removed: Array, all_removed: Array, read: Array, step: Array, assumed: Assumed) -> Array:
    """The witness's word for flat nitrate, an array of strings. All in °dH; `step` is the kit's.

    Too close predictions cannot be told apart; well below the lower one there is more acid than the food explains;
    otherwise the nearer one has it.
    """
    apart = all_removed - none_removed
    limit = assumed["witness_steps"] * step
    with np.errstate(invalid="ignore"):
        nearer = np.where(read - none_removed < all_removed - read, DOUBT, REMOVAL)
        word = np.where(none_removed - read >= limit, MORE_ACID, nearer)
        return np.where(apart >= limit * (1 - 1e-9), word, CANNOT_TELL)


def _ends(rows: Rows, tank: IntArray, as_of: IntArray, from_day: IntArray, assumed: Assumed) -> dict[str, Array]:
    """First and last KH of each request's window and what happened between, arrays [requests]; nan where not read twice."""
    day = np.maximum(as_of - round(7 * assumed["witness_weeks"]), from_day - 1)
    wanted = spans(rows, tank, as_of, rows_until(rows, tank, day))
    names = ("first", "last", "kept", "renewed", "held_days", "days", "step")
    out = {name: np.full(len(tank), np.nan) for name in names}
    for part in batches(rows, wanted, assumed):
        windows, reading = part.windows, part.windows.reading
        plan, number = design(windows), np.arange(len(part.row))[:, None]
        ends = np.where(reading, number, len(part.row)).min(axis=0), np.where(reading, number, -1).max(axis=0)
        columns = np.arange(len(part.which))
        matched = np.where(reading, rows.matched[np.maximum(part.row, 0)], np.nan)
        width = np.where(np.isfinite(windows.high), windows.high - windows.low, np.nan)
        elapsed = np.cumsum(windows.days, axis=0)
        first, last = ((np.minimum(e, len(part.row) - 1), columns) for e in ends)
        with np.errstate(divide="ignore", invalid="ignore"):
            start = (matched[first] - plan.c[first]) / plan.a[first]
        step = np.nanmedian(np.where(reading, width, np.nan), axis=0) if reading.any() else np.nan
        between = (start, matched[last], plan.a[last], plan.c[last], plan.b[last], elapsed[last] - elapsed[first], step)
        for name, value in zip(names, between, strict=True):
            out[name][part.which] = np.where(ends[1] > ends[0], value, np.nan)
    return out


def _recorded(tables: Tables, requests: pl.DataFrame, assumed: Assumed) -> pl.DataFrame:
    """from_day of the feeding in force (0 where none is recorded) of each request; spoilt: what feeds or holds KH is noted."""
    spoils = pl.col("note").str.contains(SPOILS)
    of_tank, visit, event, feeding = (table(tables, n).lazy() for n in ("tank", "visit", "event", "feeding"))
    dated = pl.concat(
        [visit.filter(spoils).select("tank", noted="day"), event.filter(spoils).select("tank", noted="date")]
    )
    lately = pl.col("noted").is_between(
        pl.col("as_of") - pl.duration(weeks=round(assumed["witness_weeks"])), pl.col("as_of")
    )
    numbered = requests.lazy().with_row_index("_row")
    spoilt = pl.concat([
        numbered.join(of_tank.filter(spoils), on="tank").select("_row"),
        numbered.join(dated, on="tank").filter(lately).select("_row"),
    ]).unique()  # fmt: skip
    return (
        numbered.sort("as_of")
        .join_asof(feeding.select("tank", "from").sort("from"), left_on="as_of", right_on="from", by="tank", check_sortedness=False)
        .join(spoilt.with_columns(spoilt=pl.lit(True)), on="_row", how="left")
        .sort("_row")
        .collect()
        .select(pl.col("from").to_physical().cast(pl.Int64).fill_null(0).alias("from_day"), pl.col("spoilt").fill_null(False))
    )  # fmt: skip


def witness(
    tables: Tables, requests: pl.DataFrame, expected_rise: Array, flat: BoolArray, assumed: Assumptions
) -> pl.DataFrame:
    """witness and witness_says of each request (rows in the order of requests).

    `expected_rise` [mg/L per day] is what the food makes, nan where unknown; `flat` says where nitrate is steady.
    """
    first = min(requests["as_of"], default=dt.date.max) - dt.timedelta(weeks=assumed["witness_weeks"])
    rows = build_rows(tables, requests["tank"].unique().to_list(), assumed, "kh", since=first)
    tank, as_of = rows.places(requests)
    recorded = _recorded(tables, requests, assumed)
    ends = _ends(rows, tank, as_of, recorded["from_day"].to_numpy(), assumed)
    cost = kh_per_nitrate(assumed)
    low, high = predictions(ends["first"], ends["kept"], ends["renewed"], ends["held_days"], expected_rise, cost)
    words = judge(low, high, ends["last"], ends["step"], assumed)
    frame = pl.DataFrame({**ends, "rise": expected_rise, "low": low, "high": high}).fill_nan(None)
    of = {"spoilt": recorded["spoilt"], "flat": pl.Series(flat), "word": pl.Series(words.astype(str))}
    frame = frame.with_columns(**of, apart=pl.col("high") - pl.col("low"), span=pl.col("days").round().cast(pl.Int64))
    cannot = first_of(
        ("spoilt", "spoilt"),
        (pl.col("days").is_null(), "not read"),
        (pl.col("days") < assumed["witness_min_days"], "short"),
        (pl.col("rise").is_null(), "no feeding"),
        (pl.col("high").is_null(), "no tap"),
        (~pl.col("flat"), "not flat"),
        (pl.col("word") == CANNOT_TELL, "close"),
    )
    word = pl.when(cannot.is_null()).then("word").otherwise(pl.lit(CANNOT_TELL))
    frame = frame.with_columns(case=pl.coalesce(cannot, "word"), witness=word)
    cases = sentences(__file__, "witness.toml")
    says = [filled(cases[row["case"]], assumed=assumed, **row) for row in frame.iter_rows(named=True)]
    return frame.select("witness", witness_says=pl.Series(says, dtype=pl.String))
