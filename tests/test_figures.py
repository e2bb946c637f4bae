"""The figures: each has a unit and a basis; a folder overrides them by name, in words when it can't."""

from __future__ import annotations

import pytest

from pipeline.figures import BASES, built_in, with_overrides


def test_every_figure_has_a_basis_and_says_what_it_is() -> None:
    records = built_in().records()
    assert len(records) > 150
    for figure in records:
        assert figure.basis.startswith(BASES), figure.name
        assert len(figure.what) > 6, figure.name
        if figure.low is not None and figure.high is not None:
            assert figure.low <= figure.value <= figure.high, figure.name


def test_a_stated_range_has_two_ends_and_a_basis_of_its_own() -> None:
    ranged = [figure for figure in built_in().records() if figure.low is not None or figure.high is not None]
    assert len(ranged) > 30
    for figure in ranged:
        assert None not in (figure.low, figure.high), figure.name
        assert figure.spread.startswith(BASES), figure.name
        assert len(figure.spread) > len("house figure: "), figure.name


def test_a_published_figure_names_its_source() -> None:
    for figure in built_in().records():
        if figure.basis.startswith("published"):
            assert len(figure.basis) > len("published: "), figure.name


def test_an_override_is_used_and_keeps_the_built_in_beside_it() -> None:
    figures, problems = with_overrides({"litres_per_kg": 90})
    assert problems == []
    assert figures["litres_per_kg"] == 90
    assert figures.figure("litres_per_kg").built_in == built_in()["litres_per_kg"] != 90
    again = figures.with_values(litres_per_kg=80)
    assert again.figure("litres_per_kg").built_in == built_in()["litres_per_kg"]


@pytest.mark.parametrize(
    ("overrides", "word"),
    [
        ({"litres_per_kilo": 90}, "not a figure"),
        ({"litres_per_kg": "ninety"}, "expected a plain number"),
        ({"litres_per_kg": True}, "expected a plain number"),
        ({"litres_per_kg": float("nan")}, "expected a plain number"),
        ({"litres_per_kg": float("inf")}, "expected a plain number"),
        ({"litres_per_kg": -5}, "expected 0 or more"),
    ],
)
def test_an_override_that_cannot_be_used_is_told_and_changes_nothing(overrides: dict[str, object], word: str) -> None:
    figures, problems = with_overrides(overrides)
    assert len(problems) == 1
    assert word in problems[0]
    assert dict(figures) == dict(built_in())
