"""The warehouse: the only room that speaks SQL."""

from pipeline.store.views import VIEWS
from pipeline.store.warehouse import (
    Unreadable,
    building,
    building_lock,
    looking,
    meta,
    publish,
    put,
    query,
    read_copy,
    read_tables,
    stamp,
)

__all__ = [
    "VIEWS",
    "Unreadable",
    "building",
    "building_lock",
    "looking",
    "meta",
    "publish",
    "put",
    "query",
    "read_copy",
    "read_tables",
    "stamp",
]
