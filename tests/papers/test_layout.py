"""Printing: the same bytes, tagged, no user text read as typst, no letter that stops the press."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.papers.layout import MISSING, pdf, printable

DAY = dt.date(2026, 5, 31)


def _letter(text: str) -> bytes:
    data = {"title": "A letter", "day": "today", "letters": [[text]], "compared": [], "caution": "Mind the step."}
    return pdf("reply.typ", data, DAY)


def test_the_same_input_gives_the_same_bytes() -> None:
    assert _letter("Hello") == _letter("Hello")
    assert _letter("Hello") != _letter("Hullo")


def test_it_is_tagged_titled_and_declares_both_standards() -> None:
    made = _letter("Hello")
    assert b"/StructTreeRoot" in made
    assert b"/MarkInfo" in made
    assert re.search(rb"pdfuaid:part\W*>?\W*1", made)
    assert re.search(rb"pdfaid:part\W*>?\W*2", made)


@pytest.mark.parametrize("text", ["#panic()", '=HYPERLINK("x","y")', "<script>alert(1)</script>", "*a* _b_ $c$ @d \\e"])
def test_hostile_text_is_printed_as_it_stands(text: str, pdf_pages: Callable[[bytes], list[str]]) -> None:
    assert text in pdf_pages(_letter(text))[0]


def test_letters_no_font_has_are_marked_and_control_characters_go() -> None:
    assert printable("花 tank") == f"{MISSING} tank"
    assert printable("a\x00b\x07c\u202ed\ue000") == f"a b cd{MISSING}"
    assert printable("Ωmega Жaba é ½ ’ “ ” – → 30\u00a0L") == "Ωmega Жaba é ½ ’ “ ” – → 30\u00a0L"


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=12))
def test_any_text_prints(text: str) -> None:
    assert _letter(text).startswith(b"%PDF")
