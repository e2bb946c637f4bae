"""Water changes of visit sheets: how much of the tank, of what kind, with which water."""

from collections.abc import Mapping

import polars as pl

from pipeline.intake import amounts
from pipeline.intake.columns import KEY, Cells, Context, Reader, issue_rows, low_of, no_issues, word_of
from pipeline.intake.grammar import Cell, held, read_word
from pipeline.intake.judge import judge
from pipeline.intake.names import fold_name
from schemas import Tables
from schemas.visits import WaterChange
from schemas.words import CHANGE_KINDS


def _net(standing: Tables, context: Context) -> pl.DataFrame:
    """Net litres of each tank, measured or taken from gross, and its site's supply."""
    share = context.assumed["net_of_gross"]
    net = pl.coalesce("net_l", pl.col("gross_l") * share).alias("net")
    supply = standing["site"].select("site", "water_supply")
    tanks = standing["tank"].select(pl.col("tank").alias("tank_id"), net, "site")
    return tanks.join(supply, on="site", how="left").drop("site")


def _water(text: str, supplies: dict[str, str]) -> Cell:
    """What the new water was: a supply, or a share of ro."""
    folded = fold_name(text)
    if not folded or folded == "-":
        return Cell()
    rest = folded[2:].strip(":=") if folded.startswith("ro") else "no"
    if rest == "" or rest.rstrip("%").replace(".", "", 1).isdigit():
        share = float(rest.rstrip("%")) / 100 if rest else 1.0
        if share <= 1:
            return Cell(word="ro", low=share)
    if folded in supplies:
        return Cell(word=supplies[folded])
    expected = ", ".join(sorted(supplies.values())[:6]) or "a supply of sites.csv"
    return held("new water not known", text, expected=expected)


def readers(context: Context, standing: Tables) -> dict[str, Reader]:
    """How the cells of a change are read."""
    named = {*standing["site"]["water_supply"], *standing["tap"]["water_supply"]} - {None}
    supplies = {fold_name(supply): supply for supply in sorted(named)}
    assumed, gallon = context.assumed, context.round.gallon
    return {
        "water_changed": lambda text, of: amounts.read_change(text, of, assumed, gallon),
        "change_kind": lambda text, _: read_word(text, CHANGE_KINDS),
        "new_water": lambda text, _: _water(text, supplies),
    }


def read_changes(
    placed: pl.DataFrame, cells: Mapping[str, Cells], context: Context, standing: Tables
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The water changes with their fraction and source, and what is said of them."""
    amount, kind, source = (cells[name] for name in ("water_changed", "change_kind", "new_water"))
    frame = placed.select(
        "row", *KEY, "no", "tank_id", "day", "at", text="water_changed", kind_text="change_kind"
    ).with_columns(
        amount.values(low_of, pl.Float64).alias("low"),
        amount.values(lambda cell: cell.guessed, pl.Boolean).alias("guessed"),
        amount.values(lambda cell: cell.outcome).alias("outcome"),
        amount.values(lambda cell: cell.unit).alias("in"),
        kind.values(lambda cell: cell.word if cell.word in CHANGE_KINDS else None).alias("kind"),
        source.values(word_of).alias("own source"),
        source.values(low_of, pl.Float64).alias("ro"),
    )
    used = frame.filter(pl.col("low") > 0)
    share, is_ro = pl.col("low") / 100, pl.col("own source") == "ro"
    by_share = pl.col("in") == "%"
    changes = used.join(_net(standing, context), on="tank_id", how="left", maintain_order="left").with_columns(
        pl.col("tank_id").alias("tank"),
        pl.when(by_share).then(share).otherwise(pl.col("low") / pl.col("net")).alias("fraction"),
        pl.when(by_share).then(share * pl.col("net")).otherwise(pl.col("low")).alias("litres"),
        pl.col("kind").fill_null("change"),
        pl.when(is_ro).then("water_supply").otherwise(pl.coalesce("own source", "water_supply")).alias("source"),
        pl.when(is_ro).then("ro").otherwise(0.0).alias("ro_share"),
    )
    judged = judge(WaterChange, changes, context)
    good = judged.good.with_columns(pl.col("fraction").clip(0, 1))
    marked = judged.issues.filter(pl.col("outcome") == "warned").select(*KEY, pl.lit(True).alias("marked")).unique(KEY)
    good = good.join(marked, on=KEY, how="left", maintain_order="left")
    outcome = pl.when("marked").then(pl.lit("warned")).otherwise("outcome").alias("outcome")
    return good.with_columns(outcome), judged.issues


def top_ups(change: pl.DataFrame, context: Context) -> pl.DataFrame:
    """Small changes several times a week: top-ups entered as changes?"""
    if change.height == 0:
        return no_issues()
    share, days = context.assumed["topup_share"], context.assumed["topup_days"]
    small = change.filter((pl.col("kind") == "change") & (pl.col("fraction") <= share + 1e-9)).sort("tank", "day")
    often = (pl.col("day") - pl.col("day").shift(2).over("tank")).dt.total_days() <= days
    return issue_rows(small, often, "water_changed", "top-up", outcome="warned", text="text", shown={"within": days})
