"""The warehouse: the only room that speaks SQL."""

from pipeline.store.delta import apply_delta
from pipeline.store.records import last_day, read_recent, read_standing, rows_standing, waits_for_a_day
from pipeline.store.views import VIEWS
from pipeline.store.warehouse import (
    Unreadable,
    building,
    building_lock,
    looking,
    meta,
    publish,
    put,
    put_meta,
    put_whole,
    query,
    read_copy,
    read_tables,
    stamp,
)

__all__ = [
    "VIEWS",
    "Unreadable",
    "apply_delta",
    "building",
    "building_lock",
    "last_day",
    "looking",
    "meta",
    "publish",
    "put",
    "put_meta",
    "put_whole",
    "query",
    "read_copy",
    "read_recent",
    "read_standing",
    "read_tables",
    "rows_standing",
    "stamp",
    "waits_for_a_day",
]
