"""Water changes of visit sheets: how much of the tank, of what kind, with which water."""

import polars as pl

from pipeline.intake import amounts
from pipeline.intake.columns import KEY, Context, cell_issues, issue_rows, join_issues, no_issues, read_cells
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


def read_changes(
    placed: pl.DataFrame, context: Context, standing: Tables
) -> tuple[pl.Series, pl.DataFrame, pl.DataFrame]:
    """The kind of change of each row, the water changes with their fraction and source, and the issues of their cells."""
    named = {*standing["site"]["water_supply"], *standing["tap"]["water_supply"]} - {None}
    supplies = {fold_name(supply): supply for supply in sorted(named)}
    assumed, gallon = context.assumed, context.round.gallon
    amount = read_cells(placed, "water_changed", lambda text, of: amounts.read_change(text, of, assumed, gallon))
    kind = read_cells(placed, "change_kind", lambda text, _: read_word(text, CHANGE_KINDS))
    source = read_cells(placed, "new_water", lambda text, _: _water(text, supplies))
    issues = [cell_issues(cells, name) for cells, name in
              ((amount, "water_changed"), (kind, "change_kind"), (source, "new_water"))]  # fmt: skip
    frame = placed.select("row", *KEY, "no", "tank_id", "day", "at").with_columns(
        *(amount[name] for name in ("text", "guessed", "outcome", "low")),
        amount["unit"].alias("in"),
        kind.select(pl.when(pl.col("word").is_in(CHANGE_KINDS)).then("word").alias("kind")).to_series(),
        kind["text"].alias("kind_text"),
        source["word"].alias("own source"),
        source["low"].alias("ro"),
    )
    used = frame.filter((pl.col("low") > 0) & (pl.col("outcome") != "held"))
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
    return kind["word"], good.with_columns(outcome), join_issues([*issues, judged.issues])


def top_ups(change: pl.DataFrame, context: Context) -> pl.DataFrame:
    """Small changes several times a week: top-ups entered as changes?"""
    if change.height == 0:
        return no_issues()
    share, days = context.assumed["topup_share"], context.assumed["topup_days"]
    small = change.filter((pl.col("kind") == "change") & (pl.col("fraction") <= share + 1e-9)).sort("tank", "day")
    often = (pl.col("day") - pl.col("day").shift(2).over("tank")).dt.total_days() <= days
    return issue_rows(small, often, "water_changed", "top-up", outcome="warned", text="text", shown={"within": days})
