"""The squares under the nitrate chart: every one is told in the list, and none lies on another."""

from __future__ import annotations

import datetime as dt
import io
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from dashboard.charts import SQUARE_DAYS
from tests.dashboard.test_pages import seen, words


def squares(chart: Any) -> list[tuple[int, dt.date]]:
    """Numbers and days of the squares in a chart's data sets, which travel as arrow."""
    frames = [pl.read_ipc_stream(io.BytesIO(part.data.data)) for part in chart.datasets]
    rows = [row for frame in frames if "n" in frame.columns for row in frame.iter_rows(named=True)]
    return sorted({(int(row["n"]), dt.date.fromisoformat(str(row["at"])[:10])) for row in rows})


@pytest.mark.parametrize("tank", ["LM2", "LM4", "MD2", "TC4"])
def test_each_square_is_explained_once_and_covers_no_other(
    tank: str, demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = seen(demo_logs, "one_tank", monkeypatch, tank=tank)
    (listed,) = re.findall(r'<ol class="events">(.*?)</ol>', words(app))
    drawn = squares(next(c.proto for c in app.get("vega_lite_chart") if c.proto.alt.startswith("Nitrate over")))
    assert drawn
    assert [n for n, _ in drawn] == list(range(1, listed.count("<li>") + 1))
    days = [day for _, day in drawn]
    assert all((later - day).days > SQUARE_DAYS for day, later in pairwise(days))


def test_what_happened_on_one_day_shares_a_square(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = words(seen(demo_logs, "one_tank", monkeypatch, tank="LM2"))
    assert "<li>Mon 13 April: Fish in, 10\u00a0fish. Food 1.68\u00a0g a day from here.</li>" in text
