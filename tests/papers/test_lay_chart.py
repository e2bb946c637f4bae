"""The chart a manager reads: no numbers, every bar in the drawing, both words at the right."""

from __future__ import annotations

import datetime as dt
import re

from pipeline.papers.charts import Bar, caption, description, scale_top, svg

TO = dt.date(2026, 5, 31)


def bars(*cells: tuple[float, float | None], guide: bool = False) -> tuple[Bar, ...]:
    first = dt.date(2026, 3, 4)
    return tuple(Bar(first + dt.timedelta(7 * n), low, high, n >= 2, guide) for n, (low, high) in enumerate(cells))


def test_the_drawing_has_words_but_no_numbers() -> None:
    drawn = svg(bars((9, 21), (21, 40), (40, 70)), (TO - dt.timedelta(4),), 40, TO, 13)
    words = re.findall(r"<text[^>]*>([^<]*)</text>", drawn)
    assert {"our limit", "none", "March", "April", "May"} <= set(words)
    assert not any(re.search(r"\d", word) for word in words)
    assert 'font-family="Libertinus Serif"' in drawn
    assert len(re.findall(r'aria-roledescription="bar"', drawn)) == 3


def test_the_scale_keeps_the_limit_in_sight() -> None:
    assert scale_top(bars((0, 5)), 40) == 62
    assert scale_top(bars((40, 70)), 40) > 70
    assert scale_top(bars((400, None)), 40) == 104


def test_an_open_or_too_tall_bar_ends_in_an_arrow() -> None:
    plain = svg(bars((9, 21)), (), 40, TO, 13)
    assert "M" in plain
    assert svg(bars((88, None)), (), 40, TO, 13).count('aria-roledescription="point"') == 1
    assert plain.count('aria-roledescription="point"') == 0


def test_the_caption_says_only_what_is_drawn() -> None:
    assert "dark" not in caption(bars((9, 21)), 13, changes=False)
    said = caption(bars((9, 21), (21, 40), (40, None), guide=True), 13, changes=True)
    assert "the dark bar is from the days of this report" in said
    assert "ticks at the top are water changes" in said
    assert "a hollow bar is a guide only" in said
    assert "an arrow means off the end of the test" in said


def test_the_chart_in_words() -> None:
    said = description(bars((9, 21), (21, 41), (41, 70)), 40, 13, 2)
    assert said.replace("\u00a0", " ") == (
        "Nitrate over 13 weeks: 1 bar under our limit, 1 bar across it and 1 bar over it; 2 water changes."
    )
