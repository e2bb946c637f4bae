"""What a reading should come to on the day of a visit, where the records allow it to be said."""

import datetime as dt

import polars as pl

from pipeline.week import Week
from pipeline.wording import interval, number
from schemas.words import PARAMETERS


def nitrate_on(level: tuple[float, float], rate: tuple[float, float], days: int) -> tuple[float, float]:
    """Nitrate before the change some days on [mg/L NO3]: level range plus rate range [mg/L NO3 per day] times days.

    Right while no water is changed in between; never under 0.
    """
    return max(0.0, level[0] + rate[0] * days), max(0.0, level[1] + rate[1] * days)


def _nitrate(week: Week, tank: str, day: dt.date) -> str:
    outlook = week.now("nitrate_outlook").filter(pl.col("tank") == tank)
    fit = week.now("nitrate_fit").filter((pl.col("tank") == tank) & (pl.col("window") == "recent"))
    if not outlook.height or not fit.height:
        return ""
    level = outlook["level_low"][0], outlook["level_high"][0]
    rate = fit["low"][0], fit["high"][0]
    if None in level or None in rate:
        return ""
    low, high = nitrate_on(level, rate, max(0, (day - week.as_of).days))
    return f"{low:.0f}–{high:.0f}"


def expected(week: Week, tank: str, day: dt.date) -> dict[str, str]:
    """Parameter -> the range to expect that day, in words; absent where nothing can be said.

    Nitrate from the fit; no ammonia or nitrite in an established tank; pH within its weekly move of the last
    reading; temperature about the set point. These are the limits beyond which intake marks a reading.
    """
    assumed = week.assumed
    row = week.table("tank").filter(pl.col("tank") == tank).to_dicts()[0]
    said = {"nitrate": _nitrate(week, tank, day)}
    begun = row["set_up"]
    if begun is None or (day - begun).days > 7 * assumed["established_weeks"]:
        said |= {"ammonia": "0", "nitrite": "0"}
    water = week.now("water").filter((pl.col("tank") == tank) & (pl.col("parameter") == "ph"))
    if water.height:
        move, last = assumed["ph_warn_move_week"], water["matched"][0]
        said["ph"] = interval(last - move, last + move, 3)
    if row["temperature_c"] is not None:
        off = assumed["temperature_warn_off_c"]
        said["temperature"] = f"{number(row['temperature_c'] - off)}–{number(row['temperature_c'] + off)}"
    return {name: said[name] for name in PARAMETERS if said.get(name)}
