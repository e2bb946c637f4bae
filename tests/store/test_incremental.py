"""A load that uses what was calculated before leaves the same warehouse as one that calculates everything."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline import weekly
from tests.loads import checked, derived
from tests.small_folder import TODAY, sheet_text, write_folder
from tests.store.sameness import assert_same_tables, tables_of


def assert_like_rebuild(folder: Path, tmp: Path, today: dt.date = TODAY) -> None:
    """The folder's warehouse holds what one built from nothing holds, row for row."""
    fresh = tmp / "fresh.duckdb"
    fresh.unlink(missing_ok=True)
    weekly.load(folder, fresh, today)
    assert_same_tables(tables_of(weekly.warehouse_of(folder)), tables_of(fresh))


def test_loads_on_later_days_end_as_a_rebuild(tmp_path: Path) -> None:
    """Also where a visit of that day has come, so that every day that the review looks at has moved on."""
    folder = write_folder(tmp_path / "logs", weeks=12)
    today = dt.date(2026, 1, 5) + dt.timedelta(7 * 11 + 2)
    weekly.load(folder, today=today)
    for days in (1, 30):
        later = today + dt.timedelta(days)
        (folder / "visits" / f"next-{days}.csv").write_text(f"date,tank,nitrate,kit\n{later},T1,26,K1\n")
        weekly.load(folder, today=later)
    assert_like_rebuild(folder, tmp_path, later)


ROW = st.tuples(
    st.sampled_from(["T1", "T2", "T3", "Lounge", "nobody"]),
    st.integers(0, 40),
    st.sampled_from(["", "0", "3", "11", "26", "47", "<3", "11-26", "05-Oct", "7..2"]),
    st.sampled_from(["", "30%", "40 L", "50", "3%"]),
    st.sampled_from(["before", "after", "", "none"]),
)
STEP = st.one_of(
    st.tuples(st.just("write"), st.sampled_from(["a", "b", "c"]), st.lists(ROW, max_size=6)),
    st.tuples(st.just("delete"), st.sampled_from(["a", "b", "c"]), st.none()),
    st.tuples(st.just("rename"), st.sampled_from(["a", "b", "c"]), st.sampled_from(["a", "b", "d"])),
)


@settings(max_examples=2, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(STEP, min_size=2, max_size=3))
def test_any_sequence_of_edits_comes_to_what_a_rebuild_comes_to(
    tmp_path: Path, steps: list[tuple[str, str, object]]
) -> None:
    folder = tmp_path / "any"
    shutil.rmtree(folder, ignore_errors=True)
    found = checked(write_folder(folder, weeks=1), TODAY)
    known = derived(found, TODAY)
    for what, name, more in steps:
        path = folder / "visits" / f"{name}.csv"
        if what == "write":
            path.write_text(sheet_text(more))  # type: ignore[arg-type]
        elif what == "delete":
            path.unlink(missing_ok=True)
        elif path.exists():
            path.rename(folder / "visits" / f"{more}.csv")
        found = checked(folder, TODAY)
        known = derived(found, TODAY, known)
    assert_same_tables(known, derived(found, TODAY))
