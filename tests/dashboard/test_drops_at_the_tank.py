"""At the tank: kits whose drops are counted."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.dashboard.test_at_the_tank_page import DAY, _on_the_day, at, entered, keep, row_of, text

__all__ = ["_on_the_day"]
pytestmark = pytest.mark.usefixtures("fresh_caches", "_on_the_day")


def test_drops_are_counted(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = at(logs, monkeypatch)
    assert "<b>KH</b>, drops of 0.5 dKH" in text(app)
    app.number_input(key=f"at TC1 {DAY} 0 R2 kh").set_value(9).run()
    assert "read as <b>4–4.5" in text(app)
    keep(app)
    if not entered(logs):
        keep(app)  # a doubt is told first
    row = row_of(entered(logs)[0])
    assert (row["kit"], row["kh"]) == ("R2", "9 drops")
