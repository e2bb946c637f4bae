"""What is said of the filter book, of kits and of services: rows beside each other, and beside what they refer to."""

from typing import Any

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.intake import amounts
from pipeline.intake.columns import KEY, Collected, whole_rows
from pipeline.units import factor
from schemas import Tables
from schemas.filterbook import usable_by_dimensions
from schemas.rules import SENTENCES
from schemas.words import PARAMETERS


def kits(typed: pl.DataFrame, found: Collected) -> pl.DataFrame:
    """Kits with their factor and their ladder in the canonical unit; a basis nobody knows holds the row."""
    pairs = typed.select("parameter", "basis", "steps").unique()
    read = []
    for parameter, basis, steps in pairs.iter_rows():
        value = factor(parameter, basis or "") if parameter in PARAMETERS else None
        times, worth = value or 1.0, amounts.read_per_drop(steps or "")
        ladder = [step * times for step in amounts.read_steps(steps or "")[0]]
        read.append((value, ladder, None if worth is None else worth * times))
    kinds: dict[str, Any] = {"factor": pl.Float64, "ladder": pl.List(pl.Float64), "per_drop": pl.Float64}
    pairs = pl.concat([pairs, pl.DataFrame(read, kinds, orient="row")], how="horizontal")
    rows = typed.join(pairs, on=["parameter", "basis", "steps"], how="left", nulls_equal=True, maintain_order="left")
    unknown = pl.col("factor").is_null() & pl.col("parameter").is_in(PARAMETERS)
    found.say(rows.with_columns(pl.col("basis").fill_null("").alias("typed")), "basis", "basis", unknown, whole=True)
    return rows


def fills(typed: pl.DataFrame, found: Collected) -> pl.DataFrame:
    """A later row for the same filter, compartment and layer closes an open one, and says so."""
    key = ["filter", "compartment", "layer"]
    ordered = typed.with_columns(pl.col("layer").fill_null(1)).sort(*key, "from", *KEY, nulls_last=True)
    ordered = ordered.with_columns(pl.col(c).shift(-1).over(key).alias(f"next_{c}") for c in ("from", *KEY))
    closes = (pl.col("to").is_null() & (pl.col("next_from") > pl.col("from"))).fill_null(False)
    marked = ordered.with_columns(pl.lit("").alias("blank"))
    found.say(marked, "to", "closed by a later row", closes, outcome="converted", text="blank")
    before = pl.col("next_from").dt.offset_by("-1d")
    closed = ordered.with_columns(pl.when(closes).then(before).otherwise(pl.col("to")).alias("to"))
    return closed.sort(KEY).select(typed.columns)


def two_tanks_at_once(typed: pl.DataFrame, found: Collected) -> None:
    """A filter that stands on two tanks on the same day: both rows are held."""
    typed = typed.drop_nulls(["filter", "tank", "from"])
    other = typed.select("filter", *(pl.col(c).alias(f"other_{c}") for c in ("tank", "from", "to", *KEY)))
    far = pl.date(9999, 12, 31)
    pairs = typed.join(other, on="filter").filter(
        (pl.col("tank") != pl.col("other_tank"))
        & (pl.col("from") <= pl.col("other_to").fill_null(far))
        & (pl.col("other_from") <= pl.col("to").fill_null(far))
    )
    pairs = pairs.unique(KEY, keep="first", maintain_order=True)
    pairs = pairs.with_columns(pl.Series("whole row", whole_rows(pairs, ["filter", "tank", "from"]), pl.String))
    found.say(pairs, None, "filter on two tanks at once", text="whole row", whole=True)


def compartments(frame: pl.DataFrame, tables: Tables, found: Collected) -> None:
    """Fills in a compartment that the filter's model does not have; their rows wait."""
    book = tables["compartment"].select("model", "compartment").unique().with_columns(pl.lit(True).alias("known"))
    has = pl.col("compartment").unique(maintain_order=True).str.join(", ").alias("has")
    rows = (
        frame.join(tables["filter"].select("filter", "model"), on="filter", how="left", maintain_order="left")
        .join(book, on=["model", "compartment"], how="left", maintain_order="left")
        .join(tables["compartment"].group_by("model").agg(has), on="model", how="left", maintain_order="left")
    )
    strange = pl.col("known").is_null() & pl.col("has").is_not_null() & pl.col("compartment").is_not_null()
    found.say(rows, "compartment", "compartment not known", strange, whole=True)


def _rooms(book: pl.DataFrame, f: Assumptions) -> pl.DataFrame:
    """Usable litres of each compartment of a model: its parts added up; a measured fill wins over dimensions.

    Rows of one compartment with the same sizes are one room told again, a stage each.
    """
    sizes = ["shape", "length_mm", "width_mm", "inner_mm", "depth_mm", "usable_l"]
    return (
        book.select("model", "compartment", *sizes, pl.coalesce("usable_l", usable_by_dimensions(f)).alias("litres"))
        .filter(pl.struct("model", "compartment", *sizes).is_first_distinct())
        .group_by("model", "compartment")
        .agg(pl.col("litres").sum())
        .filter(pl.col("litres") > 0)
    )


def masses(fill: pl.DataFrame, book: Tables, sheet: pl.DataFrame, found: Collected) -> None:
    """Media that is too heavy for its compartment: weighed wet, or litres entered as kilograms. Used, and asked about."""
    media = book["medium"].filter(pl.col("stage").is_in(["biological", "chemical"]))["medium"]
    rows = (
        fill.filter((pl.col("mass_kg") > 0) & pl.col("medium").is_in(media.implode()))
        .join(book["filter"].select("filter", "model"), on="filter", how="inner", maintain_order="left")
        .join(
            _rooms(book["compartment"], found.assumed), on=["model", "compartment"], how="inner", maintain_order="left"
        )
        .join(sheet.select(*KEY, pl.col("mass_kg").alias("as typed")), on=KEY, how="left", maintain_order="left")
        .with_columns((pl.col("mass_kg") / pl.col("litres")).alias("bulk"))
    )
    wet, as_kg = (
        pl.col("bulk") > found.assumed["bulk_high_kg_l"],
        (pl.col("bulk") - 1).abs() < found.assumed["litre_as_kg_share"],
    )
    for test, case, says in ((wet, "weighed wet", SENTENCES["weighed wet"]), (as_kg, "litres as kilograms", None)):
        found.say(rows, "mass_kg", case, test, says=says, outcome="warned", text="as typed")


def put_off(service: pl.DataFrame, text: pl.DataFrame, found: Collected) -> None:
    """Intervals that were lengthened although the filter was found dirty."""
    rows = (
        service.join(text.select(*KEY, pl.col("next_weeks").alias("as typed")), on=KEY, how="left")
        .filter(pl.col("next_weeks").is_not_null() & pl.col("filter").is_not_null())
        .sort("filter", "date", *KEY)
        .with_columns(pl.col("next_weeks").shift(1).over("filter").alias("before"))
    )
    longer = pl.col("found").is_in(["heavy", "sludge"]) & (pl.col("next_weeks") > pl.col("before"))
    found.say(rows, "next_weeks", "put off", longer, outcome="warned", text="as typed")


def timed(service: pl.DataFrame, text: pl.DataFrame, tables: Tables, found: Collected) -> pl.DataFrame:
    """Flows timed at a service that are more than the pump is rated for: held."""
    models = tables["filter_model"].select("model", pl.col("rated_flow_l_h").alias("rated"))
    rated = tables["filter"].select("filter", "model").join(models, on="model", how="left").drop("model")
    for column in ("flow_before", "flow_after"):
        typed = text.select(*KEY, pl.col(column).alias("as typed"))
        rows = service.with_columns(pl.col(column).alias("flow")).join(
            rated, on="filter", how="left", maintain_order="left"
        )
        rows = rows.join(typed, on=KEY, how="left", maintain_order="left")
        over = pl.col("flow") > pl.col("rated") * found.assumed["flow_hold_over_rated"]
        found.say(rows, column, "over the rated flow: at a service", over, text="as typed")
        service = rows.with_columns(pl.when(over.fill_null(False)).then(None).otherwise(column).alias(column))
        service = service.drop("flow", "rated", "as typed")
    return service


def with_large_changes(service: pl.DataFrame, change: pl.DataFrame, found: Collected) -> None:
    """A full service and a large water change on the same day: two shocks at once."""
    large = (
        change.filter(pl.col("fraction") > found.assumed["service_change_share"])
        .group_by("tank", pl.col("day").alias("date"))
        .agg((pl.col("fraction").max() * 100).alias("per_cent"))
    )
    rows = service.join(large, on=["tank", "date"], how="inner", maintain_order="left")
    found.say(rows, "job", "service and change", pl.col("job") == "full", outcome="warned")
