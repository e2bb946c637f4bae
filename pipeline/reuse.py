"""The history is calculated anew only where its records have changed: a tank's records up to a day have a print."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

import numpy as np
import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.week import Round
from schemas import Tables

HISTORY = ("capacity", "capacity_layer", "nitrate_fit", "nitrate_outlook", "step_alarm", "suspect")
# What belongs to one tank and has a day; a change of it touches that tank from that day on.
OF_A_TANK = {
    "reading": "day",
    "visit": "day",
    "water_change": "day",
    "event": "date",
    "feeding": "from",
    "placement": "from",
}
# What any tank may lean on: small tables, seldom changed.
SHARED = ("site", "tank", "tap", "kit", "medium", "filter_model", "compartment", "filter", "fill")
DAYS = 1_000_000  # more than any day's number, to keep tanks apart in one key


def shared_print(tables: Tables, assumed: Assumptions, round_: Round, code: str) -> str:
    """A fingerprint of all that may touch every tank."""
    told = [code, pl.__version__, repr(round_), repr(sorted((name, assumed[name]) for name in assumed))]
    told += [f"{name} {tables[name].hash_rows(1).to_numpy().sum()}" for name in SHARED if tables[name].height]
    loose = tables["service"].filter(pl.col("tank").is_null() & pl.col("filter").is_null())
    told.append(str(loose.hash_rows(1).to_numpy().sum() if loose.height else 0))
    return hashlib.sha256("\n".join(told).encode()).hexdigest()


def _records(tables: Tables) -> pl.DataFrame:
    """tank, day, hash of every dated record; a service counts for every tank its filter ever stood on."""
    parts = [
        tables[name].select("tank", pl.col(day).alias("day")).with_columns(tables[name].hash_rows(2).alias("h"))
        for name, day in OF_A_TANK.items()
        if tables[name].height
    ]
    service = tables["service"]
    if service.height:
        dated = service.select("tank", "filter", pl.col("date").alias("day"))
        dated = dated.with_columns(service.hash_rows(2).alias("h"))
        stood = tables["placement"].select("filter", pl.col("tank").alias("stood on")).unique()
        by_filter = dated.join(stood, on="filter", how="inner").select(pl.col("stood on").alias("tank"), "day", "h")
        parts.append(pl.concat([by_filter, dated.drop("filter")]).unique())
    if not parts:
        return pl.DataFrame(schema={"tank": pl.String, "day": pl.Date, "h": pl.UInt64})
    return pl.concat(parts).drop_nulls(["tank", "day"])


def prints(tables: Tables, asks: pl.DataFrame, shared: str) -> pl.DataFrame:
    """tank, as_of, print: what each ask's records up to its day come to. Alike prints, alike history."""
    records = _records(tables)
    names = pl.concat([records["tank"], asks["tank"]]).unique().sort()
    code = {name: number for number, name in enumerate(names)}

    def keys(tank: pl.Series, day: pl.Series) -> np.ndarray:
        numbers = tank.replace_strict(code, return_dtype=pl.Int64).to_numpy() if tank.len() else np.zeros(0, np.int64)
        return np.asarray(numbers * DAYS + day.to_physical().cast(pl.Int64).to_numpy())

    at = keys(records["tank"], records["day"])
    order = np.argsort(at, kind="stable")
    at, seen = at[order], np.concatenate((np.zeros(1, np.uint64), np.cumsum(records["h"].to_numpy()[order])))
    upto = keys(asks["tank"], asks["as_of"])
    first = np.searchsorted(at, upto // DAYS * DAYS, side="left")
    with np.errstate(over="ignore"):
        came_to = seen[np.searchsorted(at, upto, side="right")] - seen[first]
        salt = np.uint64(int(shared[:16], 16))
        return asks.select("tank", "as_of").with_columns(pl.Series("print", came_to + salt, dtype=pl.UInt64))


def history(
    tables: Tables,
    asks: pl.DataFrame,
    shared: str,
    old: Tables | None,
    calc: Callable[[pl.DataFrame], Tables],
) -> Tables:
    """The history of the asks: what `old` has with the same print is taken from it, the rest calculated by `calculate`.

    The caller holds kit shifts down again, as they are judged across tanks.
    """
    told = prints(tables, asks, shared)
    key = ["tank", "as_of"]
    known = told.clear().select(key)
    if old is not None:
        known = told.join(old["calculated"], on=[*key, "print"], how="semi").select(key)
    fresh = calc(asks.join(known, on=key, how="anti", maintain_order="left"))
    found: Tables = {"calculated": told}
    for name in HISTORY:
        parts = [fresh[name]]
        if old is not None and known.height:
            parts.append(old[name].join(known, on=key, how="semi", maintain_order="left"))
        found[name] = pl.concat(parts).sort("as_of", "tank", maintain_order=True)
    return found
