"""The reply letter on paper. The words are advise's own; here it is that they come out whole, and fit a page."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.papers.reply import paragraphs, reply_data, reply_pdf
from pipeline.week import Week

Pages = Callable[[bytes], list[str]]
ANSWER = {
    "model": "quern",
    "half": {"ok": True, "rates_l": 280.0, "limit": "flow"},
    "full": {"ok": False, "rates_l": 200.0, "limit": "media", "short_kg": 0.5},
    "would_make_it_yes": ["media in the last basket"],
    "assumed": ["85 % of 294"],
}
WORDS = "For your 250 L tank:\nhalf cycle yes.\n\nFull cycle no: #panic() short 0.5 kg.\n\n\nNo promise."


@pytest.fixture(autouse=True)
def _words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pipeline.advise.fit", SimpleNamespace(letter=lambda _: WORDS))


def test_one_answer_is_one_page(week: Week, pdf_pages: Pages) -> None:
    pages = pdf_pages(reply_pdf(week, [ANSWER]))
    assert len(pages) == 1
    for said in ("Will it do? A reply", "half cycle yes.", "#panic() short 0.5 kg.", "No promise.", "local codes"):
        assert said in pages[0]


def test_several_answers_are_compared(week: Week) -> None:
    data = reply_data(week, [ANSWER, {**ANSWER, "model": "bittern", "full": {"ok": None, "rates_l": None}}])
    assert len(data["letters"]) == 2
    first, second = ({key: text.replace("\u00a0", " ") for key, text in row.items()} for row in data["compared"])
    assert first == {
        "model": "quern",
        "half": "yes, rates 280 L, limit flow",
        "full": "no, rates 200 L, limit media, short 0.5 kg",
    }
    assert second["full"] == "can't say"
    assert reply_pdf(week, [ANSWER, ANSWER]).startswith(b"%PDF")


def test_one_answer_is_not_compared_with_itself(week: Week) -> None:
    assert reply_data(week, [ANSWER])["compared"] == []


def test_a_long_letter_still_makes_one_page(week: Week, pdf_pages: Pages, monkeypatch: pytest.MonkeyPatch) -> None:
    def long(_: Any) -> str:
        return "\n\n".join(["A paragraph that goes on and on about baskets and pads. " * 8] * 9)

    monkeypatch.setitem(sys.modules, "pipeline.advise.fit", SimpleNamespace(letter=long))
    assert len(pdf_pages(reply_pdf(week, [ANSWER]))) == 1


def test_paragraphs() -> None:
    assert paragraphs("a\nb\r\n\r\nc\n\n\n") == ["a b", "c"]
    assert paragraphs("") == []
