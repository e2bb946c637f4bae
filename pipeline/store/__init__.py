"""The warehouse: the only room that speaks SQL."""

from pipeline.store.delta import apply_delta
from pipeline.store.views import VIEWS
from pipeline.store.warehouse import (
    Unreadable,
    building,
    building_lock,
    last_day,
    looking,
    meta,
    publish,
    put,
    put_meta,
    put_whole,
    query,
    read_copy,
    read_recent,
    read_standing,
    read_tables,
    rows_standing,
    stamp,
    waits_for_a_day,
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
