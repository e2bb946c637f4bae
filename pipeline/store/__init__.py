"""The warehouse: the only room that speaks SQL."""

from pipeline.store.warehouse import (
    Unreadable,
    building,
    building_lock,
    looking,
    meta,
    publish,
    put,
    query,
    read_tables,
    read_through,
    stamp,
)

__all__ = [
    "Unreadable",
    "building",
    "building_lock",
    "looking",
    "meta",
    "publish",
    "put",
    "query",
    "read_tables",
    "read_through",
    "stamp",
]
