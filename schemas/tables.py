"""The models of all sheets and tables by name."""

import pandera.polars as pa

from schemas import account, care, derived, filterbook, places, visits

# The model of each family of CSVs.
SHEETS: dict[str, type[pa.DataFrameModel]] = {
    "site": places.Site,
    "tank": places.Tank,
    "medium": filterbook.Medium,
    "filter_model": filterbook.FilterModel,
    "compartment": filterbook.Compartment,
    "filter": filterbook.Filter,
    "placement": filterbook.Placement,
    "fill": filterbook.Fill,
    "kit": care.KitSheet,
    "tap": places.TapSheet,
    "feeding": care.Feeding,
    "visit": visits.VisitSheet,
    "service": care.Service,
    "event": care.Event,
    "promise": care.Promise,
    "noted": care.Noted,
    "correction": care.Correction,
}
BASE_TABLES: dict[str, type[pa.DataFrameModel]] = {
    "site": places.Site,
    "tank": places.Tank,
    "alias": places.Alias,
    "feeding": care.Feeding,
    "filter_model": filterbook.FilterModel,
    "compartment": filterbook.Compartment,
    "medium": filterbook.Medium,
    "filter": filterbook.Filter,
    "placement": filterbook.Placement,
    "fill": filterbook.Fill,
    "kit": care.Kit,
    "tap": places.Tap,
    "visit": visits.Visit,
    "reading": visits.Reading,
    "doubt": visits.Doubt,
    "water_change": visits.WaterChange,
    "service": care.Service,
    "event": care.Event,
    "promise": care.Promise,
    "noted": care.Noted,
    "correction": care.Correction,
    "held": account.Held,
    "remark": account.Remark,
    "account": account.Account,
    "unknown_column": account.UnknownColumn,
}
DERIVED_TABLES: dict[str, type[pa.DataFrameModel]] = {
    "capacity": derived.Capacity,
    "capacity_layer": derived.CapacityLayer,
    "nitrate_fit": derived.NitrateFit,
    "nitrate_outlook": derived.NitrateOutlook,
    "step_alarm": derived.StepAlarm,
    "suspect": derived.Suspect,
    "nitrate_path": derived.NitratePath,
    "water": derived.Water,
    "due": derived.Due,
    "audit": derived.Audit,
    "explanation": derived.Explanation,
    "finding": derived.Finding,
    "finding_cause": derived.FindingCause,
    "review": derived.Review,
}
TABLES: dict[str, type[pa.DataFrameModel]] = {**BASE_TABLES, **DERIVED_TABLES}
