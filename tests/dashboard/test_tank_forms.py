"""What One tank says besides its charts: merged causes, history sentences, and what was done today."""

from __future__ import annotations

import shutil
from pathlib import Path

import polars as pl
import pytest

from dashboard import tank_forms
from pipeline import weekly
from tests.dashboard.test_pages import opened, words


def test_what_was_done_is_kept_under_services_and_counts_at_once(
    demo_logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    logs = Path(shutil.copytree(demo_logs, tmp_path / "logs"))
    app = opened(logs, "one_tank", monkeypatch, tank="HS3")
    assert "Service of filter B18 overdue by 46\u00a0days." in words(app)
    next(p for p in app.pills if p.label.startswith("Done on")).set_value(["check"])
    next(b for b in app.button if b.label == "Keep").click().run()
    assert not app.exception
    text = words(app)
    assert "1\u00a0job of filter B18. Kept in services/done-2026-06-01.csv; the round is loaded again." in text
    assert "Service of filter B18 overdue" not in text
    kept = weekly.open_week(logs).table("service").filter(pl.col("file") == "services/done-2026-06-01.csv")
    assert kept.select("tank", "filter", "job").rows() == [("HS3", "B18", "check")]


def test_the_history_tells_everything_newest_first_and_shows_more(
    demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tank_forms, "SHOWN", 20)
    app = opened(demo_logs, "one_tank", monkeypatch, tank="LM2")
    app.session_state["fold History"] = True
    text = words(app.run())
    total = int(text.split(">20 of ")[1].split(".")[0])
    assert total > 20
    assert "Nitrate 35–58\u00a0mg/L" in text
    assert "fish seen" in text
    assert "; kit " in text
    app.button(key="more history LM2").click().run()
    assert f">{min(40, total)} of {total}." in words(app)
