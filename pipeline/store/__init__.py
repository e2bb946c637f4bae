"""The warehouse: the only room that speaks SQL."""

from pipeline.store.views import VIEWS
from pipeline.store.warehouse import (
    Unreadable,
    building_lock,
    meta,
    publish,
    query,
    read_copy,
    read_tables,
    stamp,
)

__all__ = ["VIEWS", "Unreadable", "building_lock", "meta", "publish", "query", "read_copy", "read_tables", "stamp"]
