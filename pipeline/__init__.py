"""Reads, checks, calculates, reviews, stores and tells; no page and no model of records is here."""

import os

# Read by polars' memory allocator where it begins. Left alone it gives every large block back to the system at once and has
# to be given it anew: that took a third of the time of reading two million readings. Two arenas hold less in reserve.
os.environ.setdefault("_RJEM_MALLOC_CONF", "oversize_threshold:0,dirty_decay_ms:2000,narenas:2")
