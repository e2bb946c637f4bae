"""Assumptions: what hangs on them, what the round sets itself, finding one, and hostile text."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline import weekly
from pipeline.advise.hangs_on import hangs_on
from pipeline.assumptions import built_in
from tests.dashboard.test_filter_book_page import said
from tests.dashboard.test_pages import opened, seen


def test_the_sentence_counts_the_tanks_that_hang_on_an_assumption(
    demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    moves = hangs_on(weekly.open_week(demo_logs), ["litres_per_kg"])  # all would take seconds
    tanks = {move.tank for move in moves if move.assumption == "litres_per_kg" and move.of in ("plain", "working")}
    monkeypatch.setattr("pipeline.advise.hangs_on.hangs_on", lambda *_: moves)
    app = opened(demo_logs, "assumptions", monkeypatch)
    assert "Moving" not in said(app)
    text = said(app.button(key="hangs_go").click().run())
    assert f"Moving “litres per kg” by its uncertainty would change the rating of {len(tanks)} tanks" in text
    assert f"<summary>{len(tanks)} tanks</summary>" in text
    # Classes come before ratings, and each is told apart.
    assert text.index("would change the class of") < text.index("would change the rating of")


def test_every_assumption_stands_on_the_page_with_its_basis(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = said(seen(demo_logs, "assumptions", monkeypatch))
    for assumption in built_in().records():
        assert f"<small>{assumption.name}</small>" in text
    assert "published: Emerson et al. 1975" in text
    assert "this round sets none itself" in text


def test_what_the_round_sets_itself_stands_out_and_markup_stays_text(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "round.toml").write_text('[assumptions]\nlitres_per_kg = 90\n"<b>evil</b>" = 3\n')
    text = said(opened(tmp_path, "assumptions", monkeypatch))
    assert "this round sets litres per kg itself" in text
    assert "<strong>90 L/kg</strong><br><small>set by this round; built in 100</small>" in text
    assert "&lt;b&gt;evil&lt;/b&gt;” is not an assumption" in text
    assert "<b>evil" not in text


def test_an_assumption_is_found_by_a_word_and_none_is_said(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(demo_logs, "assumptions", monkeypatch)
    app.text_input(key="find_figure").set_value("trickle").run()
    text = said(app)
    assert "<small>place_trickle</small>" in text
    assert "<small>litres_per_kg</small>" not in text
    app.text_input(key="find_figure").set_value("<i>zz</i>").run()
    assert "No assumption has “&lt;i&gt;zz&lt;/i&gt;”" in said(app)
