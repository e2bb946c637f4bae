"""A tank is calculated anew only where its records have changed: its records up to a day have a fingerprint."""

import hashlib
from collections.abc import Callable
from functools import cache
from importlib.metadata import version
from pathlib import Path

import polars as pl

import schemas
from pipeline.assumptions import Assumptions
from pipeline.week import Round
from schemas import Tables

REUSED = ("capacity", "capacity_layer", "nitrate_fit", "nitrate_outlook", "step_alarm", "suspect")
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


@cache
def code_fingerprint() -> str:
    """Changes with any line of our own that a warehouse is made by: one made by other lines is made anew."""
    digest = hashlib.sha256(version("tankround").encode())
    for room in (Path(schemas.__file__).parent, Path(__file__).parent):
        for file in sorted(room.rglob("*")):
            of_another = {"papers", "advise"} & set(file.relative_to(room).parts)
            if file.suffix in (".py", ".sql", ".toml") and not of_another:  # tables say what findings say
                digest.update(file.read_bytes())
    return digest.hexdigest()


def shared_fingerprint(tables: Tables, assumed: Assumptions, round_: Round, code: str) -> str:
    """A fingerprint of all that may touch every tank."""
    parts = [code, pl.__version__, repr(round_), repr(sorted((name, assumed[name]) for name in assumed))]
    parts += [f"{name} {tables[name].hash_rows(1).to_numpy().sum()}" for name in SHARED if tables[name].height]
    loose = tables["service"].filter(pl.col("tank").is_null() & pl.col("filter").is_null())
    parts.append(str(loose.hash_rows(1).to_numpy().sum() if loose.height else 0))
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _records(tables: Tables) -> pl.DataFrame:
    """tank, day, hash of every dated record; a service counts for every tank its filter ever stood on."""
    parts = [pl.DataFrame(schema={"tank": pl.String, "day": pl.Date, "h": pl.UInt64})]
    parts += [
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
    return pl.concat(parts).drop_nulls(["tank", "day"])


def fingerprints(tables: Tables, requests: pl.DataFrame, shared: str) -> pl.DataFrame:
    """tank, as_of, fingerprint: what each request's records up to its day come to. Alike fingerprints, alike results."""
    daily = _records(tables).group_by("tank", "day").agg(pl.col("h").sum()).sort("tank", "day")
    upto = daily.with_columns(pl.col("h").cum_sum().over("tank")).sort("day")
    asked = requests.select("tank", "as_of").with_row_index("place").sort("as_of")
    found = asked.join_asof(upto, left_on="as_of", right_on="day", by="tank", check_sortedness=False).sort("place")
    salt = pl.lit(int(shared[:16], 16), pl.UInt64)
    return found.select("tank", "as_of", (pl.col("h").fill_null(0) + salt).alias("fingerprint"))


def known_or_new(
    tables: Tables,
    requests: pl.DataFrame,
    shared: str,
    old: Tables | None,
    calc: Callable[[pl.DataFrame], Tables],
) -> Tables:
    """What the requests come to, kit shifts not held down: taken from `old` where fingerprints are alike, else calculated."""
    marks = fingerprints(tables, requests, shared)
    key = ["tank", "as_of"]
    known = marks.clear().select(key)
    if old is not None:
        known = marks.join(old["calculated"], on=[*key, "fingerprint"], how="semi").select(key)
    fresh = calc(requests.join(known, on=key, how="anti", maintain_order="left"))
    found: Tables = {"calculated": marks}
    for name in REUSED:
        parts = [fresh[name]]
        if old is not None and known.height:
            parts.append(old[name].join(known, on=key, how="semi", maintain_order="left"))
        found[name] = pl.concat(parts).sort("as_of", "tank", maintain_order=True)
    return found
