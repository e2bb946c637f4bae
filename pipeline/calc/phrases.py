"""Short words about a number, made for all rows at once where a table keeps them."""

from __future__ import annotations

import polars as pl


def phrase(template: str, *parts: pl.Expr | str) -> pl.Expr:
    """`template` with each {} filled by a column or expression; null where any of them is.

    Not pl.format: in polars 2.1 that panics where chunks do not lie side by side.
    """
    words = template.split("{}")
    filled = [part.cast(pl.String) if isinstance(part, pl.Expr) else pl.col(part).cast(pl.String) for part in parts]
    pieces: list[pl.Expr] = [pl.lit(words[0])]
    for part, word in zip(filled, words[1:], strict=True):
        pieces += [part, pl.lit(word)]
    return pl.concat_str(pieces)
