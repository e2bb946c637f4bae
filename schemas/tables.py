"""The models of all sheets and tables by name."""

import re

from schemas import FAMILIES, account, care, derived, filterbook, places, visits
from schemas.models import pa

Models = dict[str, type[pa.DataFrameModel]]


def _by_name(*models: type[pa.DataFrameModel]) -> Models:
    """A table is named as its model is: FilterModel, filter_model."""
    return {re.sub(r"(?<=[a-z])(?=[A-Z])", "_", model.__name__).lower(): model for model in models}


BASE_TABLES = _by_name(
    places.Site, places.Tank, places.Alias, care.Feeding, filterbook.FilterModel, filterbook.Compartment,
    filterbook.Medium, filterbook.Filter, filterbook.Placement, filterbook.Fill, care.Kit, places.Tap, visits.Visit,
    visits.Reading, visits.Doubt, visits.WaterChange, care.Service, care.Event, care.Promise, care.Noted,
    care.Correction, account.Held, account.Remark, account.Account, account.UnknownColumn,
)  # fmt: skip
DERIVED_TABLES = _by_name(*derived.Ask.__subclasses__())  # in the order of their module
TABLES: Models = {**BASE_TABLES, **DERIVED_TABLES}
# The model of each family of CSVs: that of its table, but for what is made of several columns or rows.
SHEETS: Models = {f.name: TABLES[f.name] for f in FAMILIES} | {
    "kit": care.KitSheet, "tap": places.TapSheet, "visit": visits.VisitSheet
}  # fmt: skip
