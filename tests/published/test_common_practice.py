"""What the trade does by custom, held to what we calculate. Common practice, no source: no paper stands behind any of it.

So they are checked as customs, not as facts of nature: that we calculate what a practitioner would say, and that every
assumption in them is labelled for what it is.
"""

from __future__ import annotations

import calendar
import datetime as dt

import polars as pl
import pytest

from pipeline.assumptions import built_in
from pipeline.calc import dates
from tests.rounds import Rounds

FIGURES = built_in()
FINE = ("basket 1", "fine pad")


@pytest.mark.parametrize(
    "name",
    ["litres_per_kg", "carbon_due_weeks", "carbon_out_months", "check_first_weeks", "check_second_weeks",
     "check_third_weeks", "low_flow_share"],
)  # fmt: skip
def test_a_custom_is_not_called_published(name: str) -> None:
    """A custom of the trade may be given a range, never a source."""
    assert FIGURES.assumption(name).basis == "common practice, no source"


# -- one kilogram of good porous media a hundred litres ------------------------------------------------


def kept_by(kg: float, net_l: float, medium: str = "good", **tank: object) -> dict[str, object]:
    """The rating of a tank with so much of a medium behind a fine pad."""
    r = Rounds().tank("T1", net_l=net_l, temperature_c=25, **tank)
    return r.filter("F1", "T1", [FINE, ("basket 2", medium, kg)], clean=700).service("F1", 1, found="clean").rating()


@pytest.mark.parametrize(("kg", "net_l"), [(1.0, 100), (2.0, 200), (0.5, 50), (4.5, 450)])
def test_a_kilogram_keeps_a_hundred_litres_normally_stocked(kg: float, net_l: float) -> None:
    """Common practice, no source: 1 kg of good porous media a 100 L, so 2 kg keep 200 L; that is full, and not over."""
    got = kept_by(kg, net_l)
    assert (got["plain_l"], got["plain_load_pct"], got["plain_state"]) == (net_l, 100.0, "within")
    assert got["over_full_cycle"] is False
    assert got["working_load_pct"] == pytest.approx(100.0)  # ripe, in its place, well kept: nothing is taken off


def test_two_kilograms_do_not_keep_more_than_two_hundred_litres() -> None:
    """Common practice, no source, from its other side."""
    assert kept_by(2.0, 202)["over_full_cycle"] is True
    assert kept_by(1.98, 200)["over_full_cycle"] is True


def test_the_custom_is_one_of_good_media_and_normal_stock() -> None:
    """Common practice, no source: balls are no porous media, and heavy stock wants more than the bare rule."""
    assert kept_by(2.0, 200, medium="balls")["plain_l"] == 0
    heavy = kept_by(2.0, 200, stocking="heavy")
    assert heavy["plain_load_pct"] == 100.0  # the bare rule looks at litres only
    assert heavy["working_load_pct"] > 100.0  # type: ignore[operator]


# -- carbon out by two months at the latest ------------------------------------------------------------


def two_months_on(day: dt.date) -> dt.date:
    """The same day two months on, or the last of that month."""
    year, month = divmod(12 * day.year + day.month - 1 + 2, 12)
    return dt.date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


FIRST = dt.date(2023, 12, 1)
STARTS = [FIRST + dt.timedelta(days=n) for n in range(460)]  # two Februaries, one of them of a leap year


@pytest.mark.parametrize("life_days", [None, 28, 120])
def test_carbon_is_asked_out_within_two_months_whenever_it_went_in(life_days: int | None) -> None:
    """Common practice, no source: out by two months at the latest, also where the catalogue promises a longer life."""
    r = Rounds(as_of=STARTS[-1])
    next(row for row in r.rows["medium"] if row["medium"] == "carbon")["life_days"] = life_days
    for n, start in enumerate(STARTS):
        r.tank(f"T{n}").filter(f"F{n}", f"T{n}", [("basket", "carbon", 0.3)], since=start)
    got = dates.carbon(r.tables(), r.requests(), FIGURES)
    assert got.height == len(STARTS)
    asked = dict(got.select("about", "on").iter_rows())
    said = dict(got.select("about", "says").iter_rows())
    for n, start in enumerate(STARTS):
        last = two_months_on(start)
        assert start < asked[f"F{n}"] <= last
        year = "" if last.year == STARTS[-1].year else f" {last.year}"
        assert said[f"F{n}"].endswith(f"out by {last:%a} {last.day} {last:%B}{year}")


def test_carbon_that_was_changed_starts_anew_and_carbon_taken_out_is_not_asked_for() -> None:
    """Common practice, no source: the two months are those of the carbon that lies in the filter now."""
    put_in = dt.date(2026, 5, 20)
    r = Rounds().tank("T1").filter("F1", "T1", [("basket", "carbon", 0.3)], since=dt.date(2026, 1, 10))
    r.service("F1", put_in, "carbon in")
    (on,) = dates.carbon(r.tables(), r.requests(), FIGURES)["on"]
    assert put_in < on <= two_months_on(put_in)
    r.service("F1", dt.date(2026, 5, 28), "carbon out")
    assert dates.carbon(r.tables(), r.requests(), FIGURES).height == 0


# -- the check interval, 4 to 6 to 8 weeks by what was found ---------------------------------------------


@pytest.mark.parametrize(
    ("found", "weeks"),
    [
        (["clean"], 6),
        (["clean", "clean"], 8),
        (["clean", "clean", "clean"], 8),
        (["light"], 4),
        (["clean", "light"], 6),
        (["clean", "clean", "light"], 8),
        (["clean", "clean", "heavy"], 6),
        (["clean", "heavy"], 4),
        (["heavy"], 4),
        (["clean", "clean", "sludge"], 4),
        ([None], 4),
        (["clean", None], 6),
    ],
)
def test_the_next_check_comes_by_what_was_found(found: list[str | None], weeks: int) -> None:
    """Common practice, no source: first after 4 weeks, then 6 and 8 while it is clean, held when light, sooner when
    heavy, 4 again on sludge. What was not said lengthens nothing."""
    placed = dt.date(2025, 1, 6)
    r = Rounds().tank("T1").filter("F1", "T1", [FINE, ("basket 2", "good", 1.0)], since=placed)
    last = placed
    for n, dirt in enumerate(found, start=1):
        last = placed + dt.timedelta(weeks=4 * n)
        r.service("F1", last, "check", found=dirt)
    row = dates.filter_checks(r.tables(), r.requests(), FIGURES).row(0, named=True)
    assert row["on"] == last + dt.timedelta(weeks=weeks)


def test_a_flow_under_six_tenths_brings_the_check_back_to_four_weeks() -> None:
    """Common practice, no source: a filter that has lost its flow is looked at soon, however clean its pads."""
    for flow, weeks in ((421, 8), (419, 4)):
        r = Rounds().tank("T1").filter("F1", "T1", [FINE, ("basket 2", "good", 1.0)], clean=700)
        r.service("F1", 10, "check", found="clean").service("F1", 4, "check", found="clean", flow_before=flow)
        got = dates.filter_checks(r.tables(), r.requests(), FIGURES)
        assert got.select((pl.col("on") - r.day(4)).dt.total_days()).item() == 7 * weeks
