"""The present routine: noise-free tanks whose routine, tap or reader changed, and what the fit then says."""

from collections.abc import Callable

import numpy as np
import polars as pl
import pytest

from pipeline.assumptions import built_in
from pipeline.calc.balance_rows import build_rows
from pipeline.calc.balance_windows import batch, spans_of_weeks
from pipeline.calc.nitrate import calculate_nitrate
from pipeline.calc.nitrate_fit import RISE as RISE_PLACE
from pipeline.calc.nitrate_fit import fit
from pipeline.week import Round
from schemas import Tables, conform
from tests.small_logs import change, day, reading, requests, small_log, tap

FIGURES = built_in()
RISE = 0.6  # mg/L a day
TODAY = 182


def kept(
    share: Callable[[int], float],
    true_tap: Callable[[int], float] = lambda _: 5.0,
    tests: tuple[tuple[int, float], ...] = ((-30, 5.0),),
    pause: tuple[int, ...] = (),
    **more: object,
) -> dict[str, object]:
    """The outlook of a tank kept by weeks −60 … 0 and recorded from −26 on; `share` is changed in each."""
    level, readings, changes = true_tap(-60) + 7 * RISE / 0.25, [], []
    for week in range(-60, 1):
        level += 7 * RISE
        if week in pause:
            continue
        if week >= -26:
            readings.append(reading(TODAY + 7 * week, level, low=0.995 * level, high=1.005 * level, kit="M", **more))
            if share(week) > 0:
                changes.append(change(TODAY + 7 * week, share(week)))
        level += share(week) * (true_tap(week) - level)
    taps = [tap(TODAY + 7 * week, value, low=value, high=value) for week, value in tests]
    found = calculate_nitrate(small_log(readings, changes, taps), requests(TODAY), FIGURES, Round())
    fit = found["nitrate_fit"].filter(pl.col("window") == "baseline").row(0, named=True)
    return {**found["nitrate_outlook"].row(0, named=True), "state": fit["state"]}


@pytest.mark.parametrize(
    ("share", "true_tap", "tests", "settles"),
    [
        (lambda _: 0.25, lambda w: 5.0 if w < -8 else 40.0, ((-30, 5.0), (-9, 5.0), (-8, 40.0)), 56.8),
        (lambda w: 0.25 if w < -8 else 0.08, lambda _: 5.0, ((-30, 5.0),), 57.5),
        (lambda w: 0.10 if w < -8 else 0.40, lambda _: 5.0, ((-30, 5.0),), 15.5),
        (lambda _: 0.25, lambda _: 5.0, ((-30, 5.0),), 21.8),
    ],
)
def test_nitrate_levels_off_by_the_routine_of_the_last_eight_weeks(
    share: Callable[[int], float],
    true_tap: Callable[[int], float],
    tests: tuple[tuple[int, float], ...],
    settles: float,
) -> None:
    assert kept(share, true_tap, tests)["plateau"] == pytest.approx(settles, rel=0.03)


def test_without_a_change_in_eight_weeks_it_does_not_level_off() -> None:
    found = kept(lambda w: 0.25 if w <= -8 else 0.0)
    assert found["plateau"] is None
    assert found["weeks_to_ceiling"] is not None


def test_every_other_visit_is_seen_within_eight_weeks() -> None:
    """A share that moved by more than chance is that of the recent weeks."""
    found = kept(lambda w: 0.25 if w < -8 or w % 2 == 0 else 0.0)
    assert found["plateau"] == pytest.approx(5.0 + 7 * RISE / 0.125, rel=0.15)


def test_a_holiday_is_no_routine() -> None:
    found = kept(lambda _: 0.25, pause=(-5, -4, -3))
    assert found["plateau"] == pytest.approx(21.8, rel=0.05)
    assert found["mean_gap_days"] == pytest.approx(7.0)


def test_a_tap_that_was_never_tested_makes_the_rise_rough() -> None:
    assert kept(lambda _: 0.25)["state"] == "ok"
    assert kept(lambda _: 0.25, tests=())["state"] == "rough"
    assert kept(lambda _: 0.0, tests=())["state"] == "ok"  # no tap water went in


def test_the_error_of_the_tap_grows_with_the_age_of_its_test() -> None:
    def tap_sd(*days: int) -> float:
        tables = small_log([reading(n, 26) for n in (0, 7)], [change(0, 0.3)], [tap(n, 10.0) for n in days])
        rows = build_rows(tables, ["T1"], FIGURES)
        wanted = spans_of_weeks(rows, np.array([0]), np.array([rows.day[-1]]), np.array([8.0]))
        return float(batch(rows, wanted, np.arange(1), FIGURES).priors.precision[3, 0] ** -0.5)

    assert tap_sd(0) == pytest.approx(0.15)
    assert tap_sd(-180) == pytest.approx(0.35)
    assert tap_sd(-90) == pytest.approx(0.25)
    assert tap_sd(-2000) == pytest.approx(0.7)
    assert tap_sd(-180, 7) == pytest.approx(0.15)  # between two tests it is interpolated
    assert tap_sd() == pytest.approx(0.7)


def kit_tables(ladder: list[float] | None) -> Tables:
    tables = small_log([reading(n, 26) for n in (0, 7)])
    if ladder is None:
        return tables
    kit = {"kit": "K1", "parameter": "nitrate", "factor": 1.0, "ladder": ladder, "file": "kits.csv", "line": 2}
    return tables | {"kit": pl.DataFrame([kit], schema_overrides={"ladder": pl.List(pl.Float64)})}


def test_a_kit_without_colour_steps_reads_closer() -> None:
    def errors(tables: Tables) -> list[float]:
        return build_rows(tables, ["T1"], FIGURES).cv.tolist()

    assert errors(kit_tables([])) == [FIGURES["reading_cv_meter"]] * 2
    assert errors(kit_tables([0.0, 11.0, 26.0])) == [FIGURES["reading_cv"]] * 2
    assert errors(kit_tables(None)) == [FIGURES["reading_cv"]] * 2  # nobody knows how it was read


def test_a_reader_one_step_off_is_a_factor_of_the_reader() -> None:
    """Two people read in turn, one of them a third too high: the rise is that of the tank all the same."""

    def tank(high: float) -> Tables:
        readings, level = [], 30.0
        for week in range(16):
            seen = level * (high if week % 2 else 1.0)
            readings.append(reading(7 * week, seen, low=0.93 * seen, high=1.07 * seen, file="v.csv", line=week + 2))
            level = 0.75 * (level + 5.6) + 0.25 * 5.0 if week else level
        tables = small_log(readings, [change(7 * w, 0.25) for w in range(16)], [tap(0, 5.0)])
        who = [
            {"tank": "T1", "day": day(7 * w), "by": "A" if w % 2 == 0 else "B", "file": "v.csv", "line": w + 2}
            for w in range(16)
        ]
        return tables | {"visit": conform("visit", pl.DataFrame(who))}

    with_names = tank(1.33)
    rows = build_rows(with_names, ["T1"], FIGURES)
    wanted = spans_of_weeks(rows, np.array([0]), np.array([rows.day[-1]]), np.array([26.0]))
    part = batch(rows, wanted, np.arange(1), FIGURES)
    found = fit(part.windows, part.priors, FIGURES)
    assert part.windows.factors == 2  # one kit, and the second reader
    assert 0.1 < abs(found.theta[-1, 0]) < np.log(1.33)  # held back by its prior, as a kit is
    assert found.theta[RISE_PLACE, 0] == pytest.approx(0.8, abs=0.15)
    assert (found.weight[part.windows.reading] > FIGURES["suspect_weight"]).all()


def test_one_reader_alone_has_no_factor() -> None:
    rows = build_rows(small_log([reading(n, 26) for n in (0, 7)]), ["T1"], FIGURES)
    wanted = spans_of_weeks(rows, np.array([0]), np.array([rows.day[-1]]), np.array([8.0]))
    assert batch(rows, wanted, np.arange(1), FIGURES).windows.factors == 1
