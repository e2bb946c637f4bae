"""Nitrate of the round: states, numbers with an interval, the outlook, and nothing that depends on what came later."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.assumptions import built_in
from pipeline.calc.nitrate import calculate_nitrate, paths
from pipeline.calc.nitrate_outlook import Range, apparent_removal, rise_by_hand
from pipeline.week import Round
from schemas import Tables, conform
from schemas.tables import TABLES
from tests.simulate import World, simulate
from tests.simulated_round import day_of, tables_of, tank_names
from tests.small_logs import LADDER, change, reading, requests, small_log, tap

FIGURES, ROUND = built_in(), Round()


def calc(tables: Tables, asked: pl.DataFrame, capacity: pl.DataFrame | None = None) -> Tables:
    """Calculated, checked against the schema, and free of nan and ∞."""
    out = calculate_nitrate(tables, asked, FIGURES, ROUND, capacity)
    for name, frame in out.items():
        TABLES[name].validate(frame)
        for column in frame.select(pl.selectors.float()).get_columns():
            assert column.drop_nulls().is_finite().all(), f"{name}.{column.name}"
    return out


def fit_of(out: Tables, window: str = "recent") -> dict:
    return out["nitrate_fit"].filter(pl.col("window") == window).row(0, named=True)


def weekly(values: list[float], fraction: float = 0.25, **more: object) -> Tables:
    days = range(0, 7 * len(values), 7)
    return small_log(
        [reading(n, v) for n, v in zip(days, values, strict=True)],
        [change(n, fraction) for n in days] if fraction else [],
        [tap(-7, 5.0)],
        **more,
    )


def test_one_reading_says_nothing() -> None:
    out = calc(weekly([26.0]), requests(0))
    assert fit_of(out) | {"tank": 0, "as_of": 0, "since": 0} == {
        "tank": 0, "as_of": 0, "window": "recent", "since": 0, "readings": 1,
        "rate": None, "low": None, "high": None, "state": "too few",
    }  # fmt: skip
    outlook = out["nitrate_outlook"].row(0, named=True)
    assert outlook["trend"] == "not clear"
    assert [outlook[n] for n in ("plateau", "over_ceiling_probability", "level", "weeks_to_ceiling")] == [None] * 4


@pytest.mark.parametrize(
    ("values", "state", "known"),
    [
        ([26, 26, 47, 26], "too few", ()),  # four readings
        ([26, 26, 11, 26, 26, 11, 26, 26], "ok|rough", ("rate", "low", "high")),
        ([83] * 8, "at least", ("low",)),
        ([0] * 8, "below chart", ("high",)),
        ([83, 83, 83, 83, 26, 47, 47, 26], "at least", ("low",)),
        ([83, 83, 0, 26, 47, 11, 83, 0], "too few", ()),  # three inside, neither end has half
    ],
)
def test_states(values: list[float], state: str, known: tuple[str, ...]) -> None:
    found = fit_of(calc(weekly(values), requests(7 * len(values) - 7)))
    assert found["state"] in state.split("|")
    assert tuple(n for n in ("rate", "low", "high") if found[n] is not None) == known
    assert found["readings"] == len(values)


def test_five_readings_in_under_28_days_are_too_few() -> None:
    days = (0, 5, 10, 15, 20)
    out = calc(small_log([reading(n, 26) for n in days], [change(n, 0.2) for n in days]), requests(20))
    assert fit_of(out)["state"] == "too few"


def test_windows_are_of_the_last_weeks() -> None:
    """Eight weeks back to the day, twelve where visits are sparse, half a year for the baseline."""
    out = calc(weekly([26.0] * 40), requests(273))
    assert (fit_of(out)["readings"], fit_of(out, "baseline")["readings"]) == (9, 27)
    days = range(0, 280, 14)
    sparse = small_log([reading(n, 26) for n in days], [change(n, 0.2) for n in days])
    assert fit_of(calc(sparse, requests(266)))["readings"] == 7


def test_no_changes_no_plateau_but_weeks_to_the_ceiling() -> None:
    """Without changes it rises straight to the ceiling."""
    values = [11 + 0.3 * 7 * k for k in range(9)]
    days = range(0, 63, 7)
    tables = small_log([reading(n, v) for n, v in zip(days, values, strict=True)])
    out = calc(tables, requests(56))
    outlook = out["nitrate_outlook"].row(0, named=True)
    assert outlook["plateau"] is None
    assert outlook["weeks_to_ceiling"] == pytest.approx((40 - values[-1]) / 0.3 / 7, rel=0.25)
    assert fit_of(out)["rate"] == pytest.approx(0.3, abs=0.1)


def test_meter_readings_give_back_the_truth() -> None:
    """Known levels, fractions and tap: the rise, the plateau and today's level come back."""
    level, readings, changes = 20.0, [], []
    for n in range(0, 182, 7):
        level += 7 * 1.5
        readings.append(reading(n, level))
        changes.append(change(n, 0.25))
        level = 0.75 * level + 0.25 * 6.0
    out = calc(small_log(readings, changes, [tap(-7, 6.0)]), requests(175))
    outlook = out["nitrate_outlook"].row(0, named=True)
    assert fit_of(out, "baseline")["rate"] == pytest.approx(1.5, abs=0.15)
    assert outlook["plateau"] == pytest.approx(6 + 1.5 * 7 / 0.25, rel=0.06)
    assert outlook["level"] == pytest.approx(level, rel=0.06)
    assert outlook["hand_per_week"] == pytest.approx(10.5, abs=1e-9)
    assert outlook["hand_intervals"] == 4
    assert outlook["trend"] == "climbing"
    assert outlook["over_ceiling_probability"] > 0.75
    assert outlook["weeks_to_ceiling"] < 1


def test_an_after_reading_is_not_a_fall() -> None:
    """The same tank read before, after, or both gives one rise."""
    rates = []
    for taken in (("before",), ("after",), ("before", "after")):
        level, readings, changes = 40.0, [], []
        for n in range(0, 84, 7):
            level += 7.0
            if "before" in taken:
                readings.append(reading(n, level))
            changes.append(change(n, 0.25))
            level = 0.75 * level + 0.25 * 5.0
            if "after" in taken:
                readings.append(reading(n, level, "after"))
        rates.append(fit_of(calc(small_log(readings, changes, [tap(-7, 5.0)]), requests(77)), "baseline")["rate"])
    assert rates == pytest.approx([1.0] * 3, abs=0.2)


def test_hand_check_of_the_worked_example() -> None:
    """Worked example of the trade: 18, 19, 18, 20 before, 20 % weekly, tap 4: rises 3.8, 2.0, 4.8, median 3.8."""
    days = (0, 7, 14, 21)
    readings = [reading(n, v) for n, v in zip(days, (18.0, 19.0, 18.0, 20.0), strict=True)]
    out = calc(small_log(readings, [change(n, 0.2) for n in days], [tap(-7, 4.0)]), requests(21))
    outlook = out["nitrate_outlook"].row(0, named=True)
    assert (outlook["hand_per_week"], outlook["hand_intervals"]) == (pytest.approx(3.8), 3)
    assert rise_by_hand(np.array(19.0), np.array(0.2), np.array(0.8), np.array(18.0), np.array(7.0)) == pytest.approx(2)
    rise = Range(*(np.array([3.8 / 7]),) * 3)
    low, high = apparent_removal(rise, np.array([6.7 / 7]), np.array([10.0 / 7]))
    assert (low[0], high[0]) == pytest.approx((0.43, 0.62), abs=0.005)


def test_hand_check_skips_what_it_cannot_work_out() -> None:
    readings = [reading(0, 26), reading(14, 26), reading(21, 83), reading(28, 26), reading(35, 26, "after")]
    out = calc(small_log(readings, [change(n, 0.3) for n in (0, 7, 14, 28, 35)]), requests(35))
    # 0→14 has a change between, 14→21→28 an open cell, 28→35 ends after its change.
    assert out["nitrate_outlook"]["hand_intervals"].to_list() == [0]
    assert out["nitrate_outlook"]["hand_per_week"].to_list() == [None]


def test_removal_is_a_range_and_needs_feeding() -> None:
    tables = weekly([26, 26, 11, 26, 26, 11, 26, 26, 26])
    row = requests(56).with_columns(
        expected_rise=2.0, expected_low=1.7, expected_high=2.6, filters=pl.lit([], pl.List(pl.String))
    )
    capacity = conform("capacity", row)
    found = calc(tables, requests(56), capacity)["nitrate_outlook"].row(0, named=True)
    assert found["removal_low"] < found["removal_high"] < 1.0
    bare = calc(tables, requests(56))["nitrate_outlook"].row(0, named=True)
    assert (bare["removal_low"], bare["removal_high"]) == (None, None)


def test_a_silent_tank_is_too_few_again() -> None:
    assert fit_of(calc(weekly([26.0] * 10), requests(63 + 40)))["state"] == "too few"
    out = calc(weekly([26.0] * 10), requests(63 + 28, 63 + 29))
    said = out["nitrate_outlook"].select("plateau", "level", "over_ceiling_probability")
    assert said.row(0) != (None,) * 3
    assert said.row(1) == (None,) * 3  # nobody knows today's level from so long ago


def test_after_a_change_of_unknown_size_the_level_of_the_day_is_not_known() -> None:
    tables = weekly([26.0] * 12)
    last = pl.col("day") == pl.col("day").max()
    tables["water_change"] = tables["water_change"].with_columns(
        pl.when(last).then(None).otherwise("fraction").alias("fraction")
    )
    out = calc(tables, requests(77))
    outlook = out["nitrate_outlook"].row(0, named=True)
    assert fit_of(out)["rate"] is not None
    assert (outlook["level"], outlook["over_ceiling_probability"]) == (None, None)


def test_own_ceiling_else_the_house_figure() -> None:
    own = calc(weekly([26.0] * 9, nitrate_ceiling=55.0), requests(56))["nitrate_outlook"]["ceiling"]
    house = calc(weekly([26.0] * 9), requests(56))["nitrate_outlook"]["ceiling"]
    assert (own.to_list(), house.to_list()) == ([55.0], [FIGURES["ceiling_default"]])


def test_empty_tables_and_empty_asks() -> None:
    assert all(len(frame) == 0 for frame in calc({}, requests()).values())
    out = calc({}, requests(0))
    assert out["nitrate_fit"]["state"].to_list() == ["too few", "too few"]
    assert out["nitrate_outlook"]["tap_day"].to_list() == [None]
    assert len(paths({}, requests(0), FIGURES, ROUND)) == 0


@pytest.fixture(scope="module")
def stepped() -> tuple[Tables, list[str], dt.date]:
    sim = simulate(World(visits=44, step_at=30, step_size=1.5), 60, 61)
    return tables_of(sim), tank_names(sim), day_of(sim, 43)


def test_an_ask_is_the_same_alone_and_before_more_was_recorded(stepped: tuple[Tables, list[str], dt.date]) -> None:
    """As-of is honest: nothing that was recorded later, and no other request, changes an answer."""
    tables, names, last = stepped
    days = [last - dt.timedelta(days=7 * k) for k in (0, 3, 6)]
    every = pl.DataFrame({"tank": names}).join(pl.DataFrame({"as_of": days}), how="cross")
    together = calc(tables, every)
    known_then = {
        name: frame.filter(pl.col("day") <= days[1]) if "day" in frame.columns else frame
        for name, frame in tables.items()
    }
    for asked, given_tables in (
        (every.filter(pl.col("as_of") == days[1]), known_then),
        (every.filter(pl.col("tank").is_in(names[:7])), tables),
    ):
        alone = calc(given_tables, asked)
        for name in ("nitrate_fit", "step_alarm", "suspect"):
            wanted = together[name].join(asked, on=["tank", "as_of"], how="semi")
            key = [c for c in ("tank", "as_of", "window", "file", "line") if c in wanted.columns]
            left, right = (f.drop("kit_batch", strict=False).sort(key) for f in (wanted, alone[name]))
            assert left.drop(pl.selectors.float()).equals(right.drop(pl.selectors.float()))
            for column in left.select(pl.selectors.float()).columns:
                assert left[column].to_list() == pytest.approx(right[column].to_list(), abs=1e-6, nan_ok=True)


def test_most_of_the_stepped_tanks_are_called(stepped: tuple[Tables, list[str], dt.date]) -> None:
    tables, names, last = stepped
    found = calc(tables, pl.DataFrame({"tank": names, "as_of": [last] * len(names)}))["step_alarm"]
    assert len(found) > 0.75 * len(names)
    off = (found["since"] - (last - dt.timedelta(days=13 * 7))).dt.total_days().abs()
    assert off.median() <= 21
    assert found["size"].median() == pytest.approx(1.5, abs=0.6)


def test_path_stays_in_its_bands_and_meets_the_outlook(stepped: tuple[Tables, list[str], dt.date]) -> None:
    tables, names, last = stepped
    asked = pl.DataFrame({"tank": names[:12], "as_of": [last] * 12})
    path = paths(tables, asked, FIGURES, ROUND)
    TABLES["nitrate_path"].validate(path)
    inside = path.select(
        (pl.col("low") <= pl.col("low_half"))
        & (pl.col("low_half") <= pl.col("level"))
        & (pl.col("level") <= pl.col("high_half"))
        & (pl.col("high_half") <= pl.col("high"))
    ).to_series()
    assert inside.all()
    today = path.filter(pl.col("part") == "forecast").group_by("tank", maintain_order=True).first()
    outlook = calc(tables, asked)["nitrate_outlook"].filter(pl.col("level").is_not_null())
    joined = today.join(outlook.select("tank", now="level"), on="tank")
    assert len(joined) == len(today) > 6
    assert joined["level"].to_list() == pytest.approx(joined["now"].to_list(), rel=1e-9)
    assert path["at"].max() == dt.datetime.combine(last, dt.time()) + dt.timedelta(days=14)


messy = st.lists(
    st.tuples(
        st.integers(0, 120),
        st.sampled_from(LADDER),
        st.sampled_from(["before", "after", "none"]),
        st.sampled_from([None, 0.1, 0.5, 1.0]),
        st.sampled_from(["change", "top-up"]),
    ),
    max_size=25,
)


@settings(max_examples=6, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(messy, st.booleans(), st.integers(0, 130))
def test_nothing_recorded_breaks_it(record: list, known_tap: bool, as_of: int) -> None:
    """Any mix of readings and changes: no exception, no nan, a state for every request."""
    tables = small_log(
        [reading(n, v, taken) for n, v, taken, _, _ in record],
        [change(n, f, kind) for n, _, _, f, kind in record[::2]],
        [tap(40, 12.0)] if known_tap else [],
    )
    out = calc(tables, requests(as_of))
    assert len(out["nitrate_fit"]) == 2
    assert len(out["nitrate_outlook"]) == 1
    paths(tables, requests(as_of), FIGURES, ROUND)


def test_suspects_are_typing_slips() -> None:
    sim = simulate(World(visits=27), 120, 62)
    found = calc(tables_of(sim), pl.DataFrame({"tank": tank_names(sim), "as_of": [day_of(sim, 26)] * 120}))["suspect"]
    visit, tank = np.divmod(found["line"].to_numpy() - 2, sim.tanks)
    assert sim.typo[visit, tank].mean() > 0.9
    held = sim.typo & (sim.value > 250)
    assert len(found) + held.sum() > 0.8 * sim.typo.sum()


def test_all_zero_tanks_claim_no_number() -> None:
    sim = simulate(World(visits=27, net_zero=True, still_share=0.0), 60, 63)
    zero = replace(sim, value=np.where(np.isnan(sim.value), np.nan, 0.0), low=np.zeros_like(sim.low))
    zero = replace(zero, high=np.where(np.isnan(sim.value), np.inf, 1.5))
    out = calc(tables_of(zero), pl.DataFrame({"tank": tank_names(sim), "as_of": [day_of(sim, 26)] * 60}))
    recent = out["nitrate_fit"].filter(pl.col("window") == "recent")
    assert set(recent["state"]) <= {"below chart", "too few"}
    assert recent["rate"].null_count() == 60
    assert len(out["step_alarm"]) == 0
    assert (out["nitrate_outlook"]["trend"] == "steady").mean() > 0.9
