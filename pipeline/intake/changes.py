"""Water changes of visit sheets: how much of the tank, of what kind, with which water."""

from __future__ import annotations

import polars as pl

from pipeline.intake import amounts
from pipeline.intake.coded import read_cells
from pipeline.intake.columns import Given, issue_rows, join_issues
from pipeline.intake.grammar import Cell, read_word
from pipeline.intake.names import fold_name
from schemas import Tables
from schemas.words import CHANGE_KINDS

KEY = ["file", "line"]


def _net(standing: Tables, given: Given) -> pl.DataFrame:
    """Net litres of each tank, measured or taken from gross, and its site's supply; in the order of the tanks."""
    share = given.assumed["net_of_gross"]
    return (
        standing["tank"]
        .select(pl.coalesce("net_l", pl.col("gross_l") * share).alias("net"), "site")
        .join(standing["site"].select("site", "water_supply"), on="site", how="left", maintain_order="left")
        .drop("site")
    )


def read_changes(
    placed: pl.DataFrame, given: Given, standing: Tables, supplies: set[str]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Water changes with their fraction and source, and the issues of their cells."""
    gallon = given.round.gallon
    amount = read_cells(placed, "water_changed", lambda text, of: amounts.read_change(text, of, given.assumed, gallon))
    kind = read_cells(placed, "change_kind", lambda text, _: read_word(text, CHANGE_KINDS, "kind of change"))
    by_fold = {fold_name(s): s for s in supplies}

    def water(text: str, _: str) -> Cell:
        folded = fold_name(text)
        if not folded or folded == "-":
            return Cell(word="")
        if (
            folded.startswith("ro")
            and (rest := folded[2:].strip(":=")) is not None
            and (rest == "" or rest.rstrip("%").replace(".", "", 1).isdigit())
        ):
            share = float(rest.rstrip("%")) / 100 if rest else 1.0
            if share <= 1:
                return Cell(word="ro", low=share)
        if folded in by_fold:
            return Cell(word=by_fold[folded])
        expected = ", ".join(sorted(supplies)[:6]) or "a supply of sites.csv"
        return Cell(
            "held",
            fault="new water not known",
            says=f"“{text[:40]}” is no water we know; expected {expected}, ro, or ro 50%. The site's own is taken.",
        )

    source = read_cells(placed, "new_water", water)
    told = [
        amount.issues(placed, "water_changed"),
        kind.issues(placed, "change_kind"),
        source.issues(placed, "new_water"),
    ]
    places = amount.where((pl.col("low") > 0) & (pl.col("outcome") != "held"))
    amount, kind, source = amount.at(places), kind.at(places), source.at(places)
    frame = placed.select("row", *KEY, "tank no", "tank_id", "day", "at")[places].with_columns(
        amount["text"],
        amount["low"].alias("amount"),
        amount["unit"].alias("in"),
        amount["guessed"],
        amount["outcome"],
        kind["word"].alias("kind"),
        kind["text"].alias("kind_text"),
        source["word"].alias("source"),
        source["low"].alias("ro"),
    )
    frame = pl.concat([frame, _net(standing, given)[frame["tank no"]]], how="horizontal").with_columns(
        pl.when(pl.col("in") == "%")
        .then(pl.col("amount") / 100)
        .otherwise(pl.col("amount") / pl.col("net"))
        .alias("fraction"),
        pl.when(pl.col("in") == "%")
        .then(pl.col("amount") / 100 * pl.col("net"))
        .otherwise(pl.col("amount"))
        .alias("litres"),
    )
    too_much = pl.col("fraction") > 1.0 + 1e-9
    told.append(
        issue_rows(
            frame,
            too_much.fill_null(False),
            column="water_changed",
            text=pl.col("text"),
            outcome="held",
            fault="more than the tank",
            says=pl.format(
                "“{}” is more than the tank holds ({} L net); expected 100 % or less.",
                "text",
                pl.col("net").round(0).cast(pl.Int64),
            ),
        )
    )
    big = (pl.col("fraction") > given.assumed["change_warn_share"]) & ~too_much
    told.append(
        issue_rows(
            frame,
            big.fill_null(False),
            column="water_changed",
            text=pl.col("text"),
            outcome="warned",
            fault="large change",
            says=pl.format(
                "More than half the water at once ({} %): is that right?",
                (pl.col("fraction") * 100).round(0).cast(pl.Int64),
            ),
        )
    )
    changes = frame.filter(~too_much.fill_null(False)).select(
        "row",
        *KEY,
        pl.col("tank_id").alias("tank"),
        "day",
        "at",
        pl.col("fraction").clip(0, 1),
        "litres",
        pl.col("kind").fill_null("change").alias("kind"),
        "kind_text",
        pl.when(pl.col("source") == "ro")
        .then(pl.col("water_supply"))
        .otherwise(pl.coalesce("source", "water_supply"))
        .alias("source"),
        pl.when(pl.col("source") == "ro").then(pl.col("ro")).otherwise(0.0).alias("ro_share"),
        "guessed",
        "text",
        pl.when(big.fill_null(False)).then(pl.lit("warned")).otherwise(pl.col("outcome")).alias("outcome"),
    )
    return changes, join_issues(told)


def top_ups(change: pl.DataFrame, given: Given) -> pl.DataFrame:
    """Small changes several times a week: top-ups entered as changes?"""
    if change.height == 0:
        return join_issues([])
    small = change.filter(
        (pl.col("kind") == "change") & (pl.col("fraction") <= given.assumed["topup_share"] + 1e-9)
    ).sort("tank", "day")
    often = (pl.col("day") - pl.col("day").shift(2).over("tank")).dt.total_days() <= given.assumed["topup_days"]
    return issue_rows(
        small,
        often.fill_null(False),
        column="water_changed",
        text=pl.col("text"),
        outcome="warned",
        fault="top-up",
        says=pl.lit(
            f"Three small amounts within {given.assumed['topup_days']:g} days: are these top-ups? A top-up dilutes nothing."
        ),
    )
