"""Numbers, ages and dates as expressions, said as pipeline.wording says them; and the shape of a finding."""

from __future__ import annotations

import polars as pl

from pipeline.wording import NBSP
from schemas import TABLES, empty
from schemas.derived import Finding

ASK = ["tank", "as_of"]
COLUMNS = list(empty("finding").columns)
CP = "common practice, no source"
HOUSE = "house figure"
REASON_MOST, STEP_MOST = 69, 79  # characters: the week's table has room for no more
assert TABLES["finding"] is Finding

Said = str | pl.Expr


def num(value: pl.Expr, places: int = 1) -> pl.Expr:
    """A number with at most so many decimals, as text."""
    return (
        value.round(places).cast(pl.Float64).cast(pl.String).str.strip_suffix(".0").str.replace("-", "−", literal=True)
    )


def span(low: pl.Expr, high: pl.Expr, places: int = 1) -> pl.Expr:
    """A range: 38–58; open above `over 83`; one number where both ends are alike."""
    a, b = num(low, places), num(high, places)
    dash = pl.when(low < 0).then(pl.lit(" to ")).otherwise(pl.lit("–"))
    return (
        pl.when(high.is_null())
        .then(pl.format("over {}", a))
        .when(a == b)
        .then(a)
        .otherwise(pl.format("{}{}{}", a, dash, b))
    )


def whole(value: pl.Expr) -> pl.Expr:
    """A number without decimals, as text."""
    return num(value, 0)


def ago(days: pl.Expr) -> pl.Expr:
    """An age in days, in words."""
    return (
        pl.when(days <= 0)
        .then(pl.lit("today"))
        .when(days == 1)
        .then(pl.lit("yesterday"))
        .when(days < 28)
        .then(pl.format(f"{{}}{NBSP}days ago", days.cast(pl.Int64)))
        .otherwise(pl.format(f"{{}}{NBSP}weeks ago", days.cast(pl.Int64) // 7))
    )


def day(date: pl.Expr) -> pl.Expr:
    """A date as `Tue 2 June`."""
    return date.dt.strftime("%a %-d %B")


def change_words(share: pl.Expr, litres: pl.Expr) -> pl.Expr:
    """`25 % (49 L)`, or the share alone where the net volume is not known."""
    part = whole(100 * share)
    return (
        pl.when(litres.is_null())
        .then(pl.format(f"{{}}{NBSP}%", part))
        .otherwise(pl.format(f"{{}}{NBSP}% ({{}}{NBSP}L)", part, whole(share * litres)))
    )


def round_up(share: pl.Expr, step: float) -> pl.Expr:
    """A share rounded up to the next step; first to ten places, so that 0.15 is not three steps and a hair."""
    return (share / step).round(10).ceil() * step


def capital(said: pl.Expr) -> pl.Expr:
    """With a capital, as a sentence begins."""
    return said.str.slice(0, 1).str.to_uppercase() + said.str.slice(1)


def spell(weeks: pl.Expr) -> pl.Expr:
    """So many weeks from now: `a week`, `5 weeks`."""
    return pl.when(weeks < 1.5).then(pl.lit("a week")).otherwise(pl.format(f"{{}}{NBSP}weeks", whole(weeks)))


def cut(said: pl.Expr, most: int) -> pl.Expr:
    """Text that fits; what is cut off is marked. In full it stands in `says` and `do`."""
    return (
        pl.when(said.str.len_chars() > most)
        .then(said.str.slice(0, most - 1).str.strip_chars_end(" ,;:") + "…")
        .otherwise(said)
    )


def _expr(said: Said) -> pl.Expr:
    return pl.lit(said) if isinstance(said, str) else said


def finding(
    rows: pl.DataFrame,
    rule: str,
    class_: Said,
    *,
    reason: Said,
    step: Said,
    says: Said,
    do: Said,
    basis: Said,
    harm: pl.Expr,
) -> pl.DataFrame:
    """One finding a row of `rows` (which has tank and as_of)."""
    return rows.select(
        *ASK,
        pl.lit(rule).alias("rule"),
        _expr(class_).alias("class"),
        cut(_expr(reason), REASON_MOST).alias("reason"),
        cut(_expr(step), STEP_MOST).alias("step"),
        _expr(says).alias("says"),
        _expr(do).alias("do"),
        _expr(basis).alias("basis"),
        harm.cast(pl.Float64).alias("harm"),
        pl.lit(False).alias("quiet"),
    ).select(COLUMNS)
