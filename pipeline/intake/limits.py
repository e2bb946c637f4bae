"""Values of the standing records that cannot be, or that ask for a second look: one small entry each."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake.columns import Given, issue_rows, join_issues
from pipeline.units import volume_l
from schemas import Tables

OWN = ("file", "line")


@dataclass(frozen=True)
class Limit:
    """A column, what a row of it gets where `test` holds, and the sentence."""

    column: str
    outcome: str
    test: pl.Expr
    says: str | pl.Expr
    suggestion: pl.Expr | None = None
    fault: str = "limit"


LATER = "The last day is before the first; expected a later one."


def _tank() -> list[Limit]:
    return [
        Limit("net_l", "held", pl.col("net_l") > pl.col("gross_l"), "The net volume is more than the gross volume; expected less."),
        Limit("closed", "held", pl.col("closed") < pl.col("set_up"), "The tank closed before it was set up."),
    ]  # fmt: skip


def _medium(f: Assumptions) -> list[Limit]:
    low, high = f["bulk_low_kg_l"], f["bulk_high_kg_l"]
    bulk = pl.col("bulk_kg_l")
    return [
        Limit("bulk_kg_l", "held", ~bulk.is_between(low, high), f"Dry media weighs {low:g} to {high:g} kg a litre; expected an assumption in that range. Was it weighed wet?"),
        Limit("bulk_kg_l", "warned", bulk == 1.0, "Exactly 1 kg a litre: was a litre of media entered as a kilogram?"),
    ]  # fmt: skip


def _compartment(f: Assumptions) -> list[Limit]:
    """Measured litres against the dimensions, and what the book weighed against the litres."""
    share = pl.col("usable_share").fill_null(f["usable_share_default"])
    calculated = volume_l() * share
    apart = (pl.col("usable_l") / calculated - 1).abs() > f["litres_differ_share"]
    bulk = pl.col("loose_kg") / pl.coalesce("usable_l", calculated)
    return [
        Limit("usable_l", "warned", apart, pl.format("{} L by measured fill, {} L by its dimensions: one of them is wrong. The measured fill is used.", _short("usable_l"), calculated.round(2).cast(pl.String))),
        Limit("loose_kg", "warned", bulk > f["bulk_high_kg_l"], _wet(bulk), fault="weighed wet"),
    ]  # fmt: skip


def _fill(f: Assumptions) -> list[Limit]:
    most = f["mass_hold_above_kg"]
    mass = pl.col("mass_kg")
    return [
        Limit("mass_kg", "held", mass > most, f"More than {most:g} kg in one layer; expected kilograms. Was it grams?", pl.when(mass / 1000 <= most).then(_short(mass / 1000))),
        Limit("to", "held", pl.col("to") < pl.col("from"), LATER),
    ]  # fmt: skip


def _service(f: Assumptions) -> list[Limit]:
    third = f["disturb_free_share"] + 0.01
    return [
        Limit("media_share", "warned", pl.col("media_share") > third, "More than a third of the biological media was handled at once."),
        Limit("rinse_water", "warned", pl.col("rinse_water") == "tap", "Rinsed in tap water: chlorine knocks the media back."),
        Limit("next_weeks", "warned", pl.col("next_weeks") > f["check_third_weeks"], f"The next check is more than {f['check_third_weeks']:g} weeks off."),
    ]  # fmt: skip


def _short(value: str | pl.Expr) -> pl.Expr:
    """A number as a person writes it: no more digits than it has."""
    number = pl.col(value) if isinstance(value, str) else value
    return number.round(3).cast(pl.String).str.strip_suffix(".0")


def _wet(bulk: pl.Expr) -> pl.Expr:
    return pl.format(
        "That is {} kg a litre: porous media wet is far heavier than dry. Was it weighed wet?", _short(bulk.round(2))
    )


def limits(name: str, text: pl.DataFrame, typed: pl.DataFrame, given: Given) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Values that cannot be: the cell is held and emptied. `text` has the same rows as they were typed."""
    future = pl.col("date") > given.today if "date" in typed.columns else pl.lit(False)
    to_come = Limit(
        "date", "held", future, "The day is in the future; expected one up to the day of loading.", fault="future"
    )
    tests: dict[str, list[Limit]] = {
        "tank": _tank(),
        "medium": _medium(given.assumed),
        "compartment": _compartment(given.assumed),
        "fill": _fill(given.assumed),
        "placement": [Limit("to", "held", pl.col("to") < pl.col("from"), LATER)],
        "service": [to_come, *_service(given.assumed)],
        "event": [to_come],
    }
    parts = []
    for limit in tests.get(name, []):
        told = typed.with_columns(text[limit.column].alias("as typed"))
        test = limit.test.fill_null(False)
        found = issue_rows(
            told,
            test,
            column=limit.column,
            text=pl.col("as typed"),
            outcome=limit.outcome,
            fault=limit.fault,
            says=pl.lit(limit.says) if isinstance(limit.says, str) else limit.says,
            suggestion=limit.suggestion,
        )
        parts.append(found)
        if limit.outcome == "held" and found.height:
            typed = typed.with_columns(pl.when(~test).then(pl.col(limit.column)).alias(limit.column))
    return typed, join_issues(parts)


def _rooms(book: pl.DataFrame, f: Assumptions) -> pl.DataFrame:
    """Usable litres of each compartment of a model: its parts added up; a measured fill wins over dimensions.

    Rows of one compartment with the same sizes are one room told again, a stage each.
    """
    sizes = ["shape", "length_mm", "width_mm", "inner_mm", "depth_mm", "usable_l"]
    calculated = volume_l() * pl.col("usable_share").fill_null(f["usable_share_default"])
    litres = pl.coalesce("usable_l", calculated)
    return (
        book.select("model", "compartment", *sizes, litres.alias("litres"))
        .filter(pl.struct("model", "compartment", *sizes).is_first_distinct())
        .group_by("model", "compartment")
        .agg(pl.col("litres").sum())
        .filter(pl.col("litres") > 0)
    )


def masses(tables: Tables, sheet: pl.DataFrame, f: Assumptions) -> pl.DataFrame:
    """Media that is too heavy for its compartment: weighed wet, or litres entered as kilograms. It is used, and asked about."""
    media = tables["medium"].filter(pl.col("stage").is_in(["biological", "chemical"]))["medium"]
    rows = (
        tables["fill"]
        .filter((pl.col("mass_kg") > 0) & pl.col("medium").is_in(media.implode()))
        .join(tables["filter"].select("filter", "model"), on="filter", how="inner", maintain_order="left")
        .join(_rooms(tables["compartment"], f), on=["model", "compartment"], how="inner", maintain_order="left")
        .join(sheet.select(*OWN, pl.col("mass_kg").alias("as typed")), on=OWN, how="left", maintain_order="left")
    )
    bulk = pl.col("mass_kg") / pl.col("litres")
    one = pl.format(
        "{} kg in a compartment of {} L: were litres of media entered as kilograms?",
        _short("mass_kg"),
        _short("litres"),
    )
    tests = [
        (bulk > f["bulk_high_kg_l"], "weighed wet", _wet(bulk)),
        ((bulk - 1).abs() < f["litre_as_kg_share"], "litres as kilograms", one),
    ]
    return join_issues(
        [
            issue_rows(rows, test, column="mass_kg", text=pl.col("as typed"), outcome="warned", fault=fault, says=says)
            for test, fault, says in tests
        ]
    )
