"""pandera without pandas, which it imports wherever it is installed: that takes longer than all else a command imports.

Import `pa` from here, not from pandera.
"""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.abc import MetaPathFinder

import polars as pl


class _NoPandas(MetaPathFinder):
    """Says that pandas is not installed, in the words that pandera expects."""

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> None:
        if fullname.partition(".")[0] == "pandas":
            raise ModuleNotFoundError("No module named 'pandas'", name="pandas")


@contextmanager
def _without_pandas() -> Iterator[None]:
    """Nothing changes where other threads may import it: a dashboard, a cluster's worker."""
    finder = _NoPandas()
    if not {"pandas", "streamlit", "distributed"} & sys.modules.keys():
        sys.meta_path.insert(0, finder)
    try:
        yield
    finally:
        if finder in sys.meta_path:
            sys.meta_path.remove(finder)


with _without_pandas():
    import pandera.polars as pa

    # Now, as it looks for pandas once more; and before any schema is made, which copies the checks that are known by then.
    pa.Check.get_backend(pl.LazyFrame())

__all__ = ["pa"]
