"""The Flesch–Kincaid grade: syllables against words counted by ear, the formula against a sum by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.readability import counts, grade, syllables

# Counted by ear, in the words these papers use.
COUNTED = {
    1: "fish tank change tap food changed looked cleaned filled one safe week weeks smells gasp done tests sure lights"
    " checked aged please lounge hours fixed times spare these leaves pipes have washed dirt",
    2: "water filter level rising faster nitrate dirty added tested waited needed little table under over only today"
    " people being riser heater switches washes pieces watching hardly careful safely plastic doesn't changes pages"
    " houses going doing reading visit lion quiet trying likely settle people's bottle handle something lately create",
    3: "dangerous suggested area idea media usual radio medicine",
    4: "material aquarium bacteria ammonia",
}


@pytest.mark.parametrize(("count", "word"), [(n, word) for n, words in COUNTED.items() for word in words.split()])
def test_syllables_as_counted_by_ear(count: int, word: str) -> None:
    assert syllables(word) == count


def test_the_grade_by_hand() -> None:
    # 2 sentences, 9 words; the 1 fish 1 look 1 well 1; we 1 changed 1 part 1 of 1 it 1: 9 syllables.
    assert counts("The fish look well. We changed part of it.") == (2, 9, 9)
    by_hand = 0.39 * 9 / 2 + 11.8 * 9 / 9 - 15.59
    assert grade("The fish look well. We changed part of it.") == pytest.approx(by_hand)


def test_a_hard_text_is_graded_harder_than_a_plain_one() -> None:
    plain = "The fish look well. We changed part of the water. Feed a little less, please."
    hard = (
        "Denitrification capacity is presumably insufficient, consequently bioaccumulation of nitrogenous metabolites"
    )
    assert grade(plain) < 3
    assert grade(hard) > 18


def test_a_colon_is_no_end_of_sentence() -> None:
    assert counts("Look once a day: fish up and swimming.")[0] == 1


def test_nothing_to_read_is_grade_nought() -> None:
    assert grade("… – .") == 0.0


@given(st.text(alphabet="abc dé.!?–0123'’\n", max_size=80))
def test_any_text_has_a_grade(text: str) -> None:
    sentences, words, spoken = counts(text)
    assert spoken >= words >= 0
    assert sentences >= 0
    assert grade(text) == grade(text)  # never NaN
