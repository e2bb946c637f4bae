"""The models of all sheets and tables by name."""

import re

from schemas import FAMILIES
from schemas.account import Account, Held, Remark, UnknownColumn
from schemas.care import Correction, Event, Feeding, Kit, KitSheet, Noted, Promise, Service
from schemas.derived import (
    Audit,
    Capacity,
    CapacityLayer,
    Due,
    Explanation,
    Finding,
    FindingCause,
    NitrateFit,
    NitrateOutlook,
    NitratePath,
    Review,
    StepAlarm,
    Suspect,
    Water,
)  # fmt: skip
from schemas.filterbook import Compartment, Fill, Filter, FilterModel, Medium, Placement
from schemas.models import pa
from schemas.places import Alias, Site, Tank, Tap, TapSheet
from schemas.visits import Doubt, Reading, Visit, VisitSheet, WaterChange

Models = dict[str, type[pa.DataFrameModel]]


def _by_name(*models: type[pa.DataFrameModel]) -> Models:
    """A table is named as its model is: FilterModel, filter_model."""
    return {re.sub(r"(?<=[a-z])(?=[A-Z])", "_", model.__name__).lower(): model for model in models}


BASE_TABLES = _by_name(
    Site, Tank, Alias, Feeding, FilterModel, Compartment, Medium, Filter, Placement, Fill, Kit, Tap, Visit, Reading, Doubt,
    WaterChange, Service, Event, Promise, Noted, Correction, Held, Remark, Account, UnknownColumn,
)  # fmt: skip
DERIVED_TABLES = _by_name(
    Capacity, CapacityLayer, NitrateFit, NitrateOutlook, StepAlarm, Suspect, NitratePath, Water, Due, Audit, Explanation,
    Finding, FindingCause, Review,
)  # fmt: skip
TABLES: Models = {**BASE_TABLES, **DERIVED_TABLES}
# The model of each family of CSVs: that of its table, but for what is made of several columns or rows.
SHEETS: Models = {f.name: TABLES[f.name] for f in FAMILIES} | {"kit": KitSheet, "tap": TapSheet, "visit": VisitSheet}
