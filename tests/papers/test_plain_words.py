"""The plain words: complete, easy to read, without numbers of the laboratory."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from pipeline.assumptions import built_in
from pipeline.papers import plain_text
from schemas.words import CAUSES, CLASSES, EVENTS, JOBS
from tests.readability import grade

FIGURES = built_in()


def _texts(value: Any, path: str = "") -> Iterator[tuple[str, str]]:
    if isinstance(value, str):
        yield path, value
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from _texts(item, f"{path}.{key}")
    elif isinstance(value, list):
        for n, item in enumerate(value):
            yield from _texts(item, f"{path}[{n}]")


ALL = list(_texts(plain_text.TEXTS))


@pytest.mark.parametrize(("where", "text"), ALL)
def test_no_words_of_the_laboratory(where: str, text: str) -> None:
    assert not re.search(r"mg|\d|%|°|ppm|\bNO[23]\b|\bNH[34]\b|safe", text), where


@pytest.mark.parametrize(("where", "text"), [(w, t) for w, t in ALL if w.endswith("found") or ".cause." in w])
def test_each_sentence_is_easy(where: str, text: str) -> None:
    # One sentence scatters more than a page, so it may reach a grade higher than the page may.
    assert grade(text) <= FIGURES["plain_grade"] + 1, where


def test_all_of_them_together_are_easy() -> None:
    every = " ".join(f"{text.rstrip('.')}." for where, text in ALL if not where.startswith((".state", ".received")))
    assert grade(every) <= FIGURES["plain_grade"] - 2


def test_every_class_cause_job_and_event_has_words() -> None:
    words = plain_text.TEXTS
    assert set(words["state"]) == set(CLASSES) == set(words["class"])
    assert set(words["cause"]) == set(CAUSES)
    assert set(words["job"]) == set(JOBS)
    assert set(words["event"]) == set(EVENTS) - {"other"}


@pytest.mark.parametrize(
    ("class_", "said"),
    [
        ("steady", "Good"),
        ("due", "Good"),
        ("plan", "Being watched"),
        ("act today", "Needs work"),
        ("this week", "Needs work"),
        ("can't say", "Not checked lately"),
        ("nobody knows", "Not checked lately"),
    ],
)
def test_the_state_in_words(class_: str, said: str) -> None:
    assert plain_text.state(class_) == said


def test_a_rule_nobody_knows_gets_the_words_of_its_class_and_never_good_ones() -> None:
    assert plain_text.of_finding("a_new_rule", "this week").found == plain_text.of_finding("", "this week").found
    assert "nothing out of line" not in plain_text.of_finding("a_new_rule", "no class").found
