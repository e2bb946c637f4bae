"""What may be behind the nitrate readings: the balance of many tanks refitted under each explanation it can express.

An explanation is one more parameter of the balance of nitrate_fit.py: a rise or fall of the source from a day, water
lost at one visit, the tap at another level from a day, all readings from a day by a factor; or another reading of one
cell: taken after the change, ten times, given as nitrogen, of the tank beside it. Each is worth what it gains in
log-likelihood over the plain balance less half the logarithm of the count of readings for each parameter it adds
(Schwarz 1978); a day that was looked for is a parameter too (Yao 1988).
"""

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np
import polars as pl

from pipeline.calc.balance_rows import build_rows, tank_supply
from pipeline.calc.balance_windows import batches, spans_of_weeks
from pipeline.calc.cells import Array, Assumed, cell_scores
from pipeline.calc.layers import series, table
from pipeline.calc.nitrate_design import BoolArray, IntArray
from pipeline.calc.nitrate_fit import TAP, fit
from pipeline.calc.refits import FACTOR, LEVEL, LOST, SOURCE, TAP_LEVEL, Weighed, designs, expected, refits
from pipeline.units import factor
from schemas import Tables, conform, empty

TENFOLD = 10.0
Cells = dict[str, Array | IntArray | pl.Series]


def penalised(gain: Array, readings: Array | float, parameters: int) -> Array:
    """Gain in log-likelihood less the penalty of the criterion of Schwarz 1978: ½·parameters·ln(readings).

    Twice the result is the fall of BIC; its exponential is about the Bayes factor over the plain balance (Kass & Raftery
    1995). Arrays of one shape, or a number.
    """
    return np.asarray(gain - 0.5 * parameters * np.log(np.maximum(readings, 1.0)))


def refitted(tables: Tables, requests: pl.DataFrame, assumed: Assumed) -> Weighed | None:
    """What each of the requests (tank, as_of) says by itself; None where none says any."""
    requests = requests.select("tank", "as_of").unique(maintain_order=True)
    read = table(tables, "reading").filter(
        (pl.col("parameter") == "nitrate") & pl.col("tank").is_in(requests["tank"].to_list())
    )
    if not read.height or read["tank"].value_counts()["count"].max() < assumed["gate_readings"]:  # type: ignore[operator]
        return None
    return refits(build_rows(tables, requests["tank"].to_list(), assumed, also=("basis",)), requests, assumed)


def explain(
    weighed: Iterable[Weighed | None], tables: Tables, requests: pl.DataFrame, assumed: Assumed
) -> pl.DataFrame:
    """Table `explanation` of all requests, from what parts of them come to: what gains enough to be worth telling.

    Tanks that share a kit or a supply share its factor and its level: their gains are put together at the size that
    suits them all.
    """
    once = requests.select("tank", "as_of").unique(maintain_order=True)
    parts = [empty("explanation"), *_ammonia_beside(once, tables, assumed)]
    if any_of := [part for part in weighed if part is not None]:
        found = Weighed.together(any_of)
        parts += _of_series(found, tables, assumed)
        parts += _of_cells(found, tables, assumed)
        parts += _readers_apart(found, assumed)
    best = (
        pl.concat(parts)
        .sort("gain", descending=True, maintain_order=True)
        .unique(["tank", "as_of", "cause"], keep="first", maintain_order=True)
    )
    return conform("explanation", best.sort("as_of", "tank", "cause"))


def log_chance(low: Array, high: Array, level: Array, bias: Array, cv: Array, assumed: Assumed) -> Array:
    """Log-likelihood of cells (low, high) [mg/L] where the level is so much, gross errors allowed for. Arrays [cells]."""
    offset = assumed["log_offset"]
    log_low = np.where(low > 0, np.log(np.maximum(low, 0) + offset), -np.inf)
    seen = np.log(np.maximum(level, 0.0) * np.exp(bias) + offset)
    return cell_scores(
        log_low, np.log(high + offset), seen, cv, assumed["robust_share"], assumed["robust_density"]
    ).log_chance


def pooled(gain: Array, size: Array, precision: Array, group: IntArray) -> tuple[Array, Array, Array]:
    """Gain of each member where its group shares one size, the others' gain together, and that size.

    Arrays [days, members]; `group` [members], −1 for none. By the parabola that each log-likelihood is near its top: the
    shared size is the mean weighted by precision, and a member's gain falls by half its precision times its distance²;
    what a member cannot tell is worth nothing, not less.
    """
    good = np.isfinite(gain) & (group >= 0)
    weight = np.where(good, precision, 0.0)
    total = np.zeros((len(gain), max(group.max(initial=-1) + 1, 1)))
    mean = np.zeros_like(total)
    np.add.at(total.T, np.maximum(group, 0), weight.T)
    np.add.at(mean.T, np.maximum(group, 0), (weight * np.where(good, size, 0.0)).T)
    shared = (mean / np.maximum(total, 1e-9))[:, np.maximum(group, 0)]
    own = np.where(good, gain - 0.5 * precision * (shared - size) ** 2, 0.0)
    together = np.zeros_like(total)
    np.add.at(together.T, np.maximum(group, 0), own.T)
    return np.where(good, own, -np.inf), together[:, np.maximum(group, 0)] - own, shared


def _groups(requests: pl.DataFrame, names: pl.Series) -> IntArray:
    """Numbers of the requests that share a name and a day; −1 where there is no name."""
    group = pl.when(pl.col("name").is_not_null()).then(pl.struct("name", "as_of").rank("dense").cast(pl.Int64) - 1)
    return requests.select("as_of", names.alias("name")).select(group.fill_null(-1)).to_series().to_numpy()


def _explanations(
    requests: pl.DataFrame,
    cause: str,
    gain: Array,
    since: Array,
    assumed: Assumed,
    **cells: Array | IntArray | pl.Series,
) -> Iterator[pl.DataFrame]:
    """Rows of table `explanation` for what gains enough; arrays [requests], `since` in day numbers. Nothing for none."""
    which = np.flatnonzero(np.isfinite(gain) & (gain >= assumed["explained_gain"]))
    if len(which):
        own = {"tanks": np.ones(len(gain), np.int64)} | cells
        yield conform("explanation", requests[which].with_columns(
            pl.lit(cause).alias("cause"), pl.Series("gain", gain[which]),
            pl.Series("since", since[which].astype(np.int32)).cast(pl.Date),
            *(pl.Series(name, values).gather(which).alias(name) for name, values in own.items()),
        ))  # fmt: skip


def _of_series(found: Weighed, tables: Tables, assumed: Assumed) -> Iterator[pl.DataFrame]:
    """What went on from a day: source, water lost, tap, factor."""
    requests, kit = found.requests, pl.Series(found.kit.tolist(), dtype=pl.String)
    mine, n = np.arange(len(requests)), found.readings
    cap = assumed["explained_shared"]

    def best(cause: str, gain: Array, size: Array, **more: Array | IntArray | pl.Series) -> Iterator[pl.DataFrame]:
        at = gain.argmax(axis=0)
        return _explanations(
            requests, cause, gain[at, mine], found.since[at, mine], assumed, size=size[at, mine], **more
        )

    def alone(cause: str, kind: int, good: BoolArray, size: Array) -> Iterator[pl.DataFrame]:
        return best(cause, np.where(good, penalised(found.gain[kind], n, 2), -np.inf), size)

    source, lost = found.size[SOURCE], found.share
    yield from alone("rise", SOURCE, source >= assumed["explained_step"], source)
    yield from alone("fall", SOURCE, source <= -assumed["explained_step"], source)
    yield from alone("unlogged change", LOST, lost >= assumed["explained_change"], lost)
    times = np.exp(found.size[FACTOR])
    yield from alone("not shaken", FACTOR, times <= 1 / assumed["explained_factor"], times)
    nitrogen = factor("nitrate", "NO3-N") or 1.0
    # Of a known size: by the parabola near the top, at the factor of nitrogen; the day is the one parameter more.
    off = np.abs(found.size[FACTOR]) - np.log(nitrogen)
    gain = penalised(found.gain[FACTOR] - 0.5 * found.precision[FACTOR] * off**2, n, 1)
    yield from best("wrong basis", np.where(np.abs(off) < assumed["explained_basis_log"], gain, -np.inf), times)
    supply = requests.join(tank_supply(tables), on="tank", how="left", maintain_order="left")["supply"]
    for cause, kind, names in (("tap nitrate", TAP_LEVEL, supply), ("kit batch", FACTOR, kit)):
        group = _groups(requests, names)
        own, others, shared = pooled(found.gain[kind], found.size[kind], found.precision[kind], group)
        many = np.bincount(group[group >= 0], minlength=1)[np.maximum(group, 0)]
        if kind == TAP_LEVEL:
            good, size, named = shared >= assumed["explained_tap"] / LEVEL, shared * LEVEL, {}
        else:
            far, enough = np.log(assumed["explained_factor"]), many >= assumed["kit_shift_tanks"]
            good, size, named = (np.abs(shared) >= far) & enough & (others > 0), np.exp(shared), {"kit": kit}
        # The penalty is the group's, once; what the others say counts for or against, up to a limit.
        gain = penalised(own + np.clip(others, -cap, cap), n, 2)
        yield from best(cause, np.where(good, gain, -np.inf), size, tanks=many, **named)


def _of_cells(found: Weighed, tables: Tables, assumed: Assumed) -> Iterator[pl.DataFrame]:
    """What one reading may be instead: after the change, ten times, given as nitrogen, of the tank beside it."""
    c = found.cells
    if not c.height:
        return
    low, high, level, after, bias, cv, matched, n = (
        c[k].to_numpy() for k in ("low", "high", "level", "after", "bias", "cv", "matched", "count")
    )
    plain = log_chance(low, high, level, bias, cv, assumed)
    changed = np.where(c["changes"].to_numpy(), log_chance(low, high, after, bias, cv, assumed), -np.inf)
    options: list[tuple[str, Array, Array]] = [("taken after the change", changed, level)]
    # A number typed off its kit's steps is what it says, more or less.
    inside, half = np.isfinite(high) & (low > 0), assumed["meter_share"]
    ends = np.where(inside, low, matched * (1 - half)), np.where(inside, high, matched * (1 + half))
    nitrogen = factor("nitrate", "NO3-N") or 1.0
    for cause, times in (
        ("not shaken", 1 / assumed["explained_shaken"]),
        ("typing slip", TENFOLD),
        ("typing slip", 1 / TENFOLD),
        ("wrong basis", nitrogen),
        ("wrong basis", 1 / nitrogen),
    ):
        chance = log_chance(ends[0] * times, ends[1] * times, level, bias, cv, assumed)
        options.append((cause, np.where(matched > 0, chance, -np.inf), matched * times))
    of = found.requests[c["request"].to_numpy()]
    since = c["day"].to_numpy()
    cells: Cells = {"was": matched, "file": c["file"], "line": c["line"]}
    for cause, chance, would in options:
        yield from _explanations(of, cause, penalised(chance - plain, n, 1), since, assumed, would_be=would, **cells)
    yield from _swapped(c.with_columns(pl.Series("plain", plain)), found.requests, tables, assumed)


def _readers_apart(found: Weighed, assumed: Assumed) -> Iterator[pl.DataFrame]:
    """Two people who match colours a factor apart, over all tanks that both read."""
    apart, requests = found.readers, found.requests
    if not apart.height:
        return
    pair, weight = ["as_of", "one", "other"], pl.col("precision")
    read = pl.Series("count", found.readings)[apart["request"].to_numpy()]
    pairs = pl.concat([apart, requests[apart["request"].to_numpy()], read.to_frame()], how="horizontal").with_columns(
        ((weight * pl.col("bias")).sum() / weight.sum()).over(pair).alias("shared"),
        weight.sum().over(pair).alias("all"), pl.len().over(pair).cast(pl.Int64).alias("tanks"), pl.col("count").sum().over(pair),
    ).filter((pl.col("shared").abs() >= np.log(assumed["explained_factor"])) & (pl.col("tanks") >= assumed["kit_shift_tanks"]))  # fmt: skip
    shared = pairs["shared"].to_numpy()
    one, other = pairs["one"], pairs["other"]
    more, less = ([a if up else b for a, b, up in zip(x, y, shared > 0, strict=True)] for x, y in ((one, other), (other, one)))  # fmt: skip
    gain = penalised(0.5 * pairs["all"].to_numpy() * shared**2, pairs["count"].to_numpy(), 1)
    cells: Cells = {"size": np.exp(np.abs(shared)), "tanks": pairs["tanks"], "by": pl.Series(more, dtype=pl.String),
                    "than": pl.Series(less, dtype=pl.String)}  # fmt: skip
    day = pairs["as_of"].to_physical().to_numpy()
    yield from _explanations(pairs.select("tank", "as_of"), "reader", gain, day, assumed, **cells)


def _swapped(c: pl.DataFrame, requests: pl.DataFrame, tables: Tables, assumed: Assumed) -> Iterator[pl.DataFrame]:
    """Two tanks of a site whose nitrate of a day fits better exchanged."""
    tank = requests.join(tables["tank"].select("tank", "site"), on="tank", how="left", maintain_order="left")
    cells = pl.concat([c, tank[c["request"].to_numpy()]], how="horizontal")
    few = pl.col("request").n_unique().over("site", "day", "as_of").is_between(2, assumed["wrong_tank_sessions"])
    cells = cells.filter(pl.col("site").is_not_null() & few)
    if not cells.height:
        return
    pairs = cells.join(cells, on=["site", "day", "as_of"], suffix="_b").filter(pl.col("tank") != pl.col("tank_b"))

    def of(name: str) -> Array:
        return pairs[name].to_numpy()

    here = log_chance(of("low_b"), of("high_b"), of("level"), of("bias"), of("cv_b"), assumed)
    there = log_chance(of("low"), of("high"), of("level_b"), of("bias_b"), of("cv"), assumed)
    gain = penalised(here + there - of("plain") - of("plain_b"), of("count"), 2)
    cells_of: Cells = {"was": pairs["matched"], "would_be": pairs["matched_b"], "other": pairs["tank_b"],
                "file": pairs["file"], "line": pairs["line"], "tanks": np.full(len(gain), 2)}  # fmt: skip
    yield from _explanations(pairs.select("tank", "as_of"), "wrong tank", gain, of("day"), assumed, **cells_of)


def _ammonia_beside(requests: pl.DataFrame, tables: Tables, assumed: Assumed) -> list[pl.DataFrame]:
    """Tanks that show ammonia while others of their supply do: `tanks` of them show it, of `size` tested."""
    keys = ["tank", "as_of"]
    read = table(tables, "reading").filter(pl.col("parameter") == "ammonia")
    if not (read["matched"] >= assumed["trace_ammonia"]).any():
        return []
    back = pl.col("as_of") - pl.duration(days=int(assumed["tap_beside_days"]))
    shows = pl.col("matched") >= assumed["trace_ammonia"]
    seen = (
        requests.join(read.select("tank", "day", "matched"), on="tank")
        .filter((pl.col("day") <= pl.col("as_of")) & (pl.col("day") > back))
        .group_by(keys)
        .agg(shows.any().cast(pl.Int64).alias("shows"), pl.col("day").filter(shows).min().alias("since"))
        .join(tank_supply(tables).drop_nulls(), on="tank")
    )
    beside = (pl.col("shows").sum() - pl.col("shows")).over("supply", "as_of")
    tested = (pl.len() - 1).over("supply", "as_of")
    seen = seen.with_columns(beside.alias("tanks"), tested.cast(pl.Float64).alias("size")).filter(
        (pl.col("shows") > 0)
        & (pl.col("tanks") >= assumed["tap_beside_tanks"])
        & (pl.col("tanks") >= assumed["tap_beside_share"] * pl.col("size"))
    )
    constant = (pl.lit("tap ammonia").alias("cause"), pl.lit(assumed["says_record"]).alias("gain"))
    return [conform("explanation", seen.with_columns(*constant))]


# -- what an explanation implies, for its chart -----------------------------------------------------------

DESIGN = {"rise": "source", "fall": "source", "unlogged change": "lost", "tap nitrate": "tap"}
MOMENT: dict[str, Any] = {"at": pl.Datetime("us")}
PATH: dict[str, Any] = {**MOMENT, "level": pl.Float64}
MOVED: dict[str, Any] = {**MOMENT, "day": pl.Date, "low": pl.Float64, "high": pl.Float64}


def _at(days: np.ndarray, hour: int) -> pl.Series:
    """Day numbers as moments of the day."""
    return pl.Series("at", days.astype(np.int64) * 86_400_000_000 + hour * 3_600_000_000).cast(pl.Datetime("us"))


def implied(
    tables: Tables, tank: str, as_of: dt.date, explanation: Mapping[str, Any], assumed: Assumed
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Path (at, level) over the half-year, two moments a visit, and moved readings (at, day, low, high) of a row of
    table `explanation`. Both empty where the tank has no readings."""
    rows = build_rows(tables, [tank], assumed, also=("basis",))
    asked, since = (pl.DataFrame({"tank": tank, "as_of": [day]}) for day in (as_of, explanation["since"]))
    wanted = spans_of_weeks(rows, *rows.places(asked), assumed["baseline_weeks"])
    part = next(iter(batches(rows, wanted, assumed, steps=1)), None)
    if part is None:
        return pl.DataFrame(schema=PATH), pl.DataFrame(schema=MOVED)
    w, days = part.windows, rows.day[part.row[:, 0]]
    _, begins = rows.places(since)
    later = (days >= begins)[:, None]
    kind = DESIGN.get(explanation["cause"])
    design = np.zeros(w.days.shape) if kind is None else designs(w, later[None])[kind][0]
    done = fit(w, part.priors, assumed, design)
    level, _, _ = expected(w, done)
    level = np.maximum(level + done.theta[-1] * design, 0.0)
    inflow = w.inflow * np.exp(done.theta[TAP])
    if kind == "tap":
        inflow = inflow + done.theta[-1] * LEVEL * w.fraction * later
    after = level * (1 - w.fraction) + inflow
    path = pl.concat(
        [pl.DataFrame({"at": _at(days, hour), "level": of[:, 0]}) for hour, of in ((9, level), (10, after))]
    )
    size, would = explanation["size"], explanation["would_be"]
    seen = (w.reading & later)[:, 0]
    if would is not None:
        seen &= days == begins
        low = high = np.full(int(seen.sum()), float(would))
    elif kind is None and size:
        low, high = w.low[seen, 0] / size, w.high[seen, 0] / size
    else:
        return path.sort("at"), pl.DataFrame(schema=MOVED)
    at, top = _at(days[seen], 9), series("high", np.where(np.isfinite(high), high, np.nan))
    return path.sort("at"), pl.DataFrame({"at": at, "day": at.cast(pl.Date), "low": low, "high": top})
