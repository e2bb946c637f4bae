"""A kit that goes off is told from tanks that step up: by one factor on all of its readings, better than by rises."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.assumptions import built_in
from pipeline.calc.kit_shift import hold_down, trend_of
from pipeline.calc.nitrate import calculate_nitrate
from pipeline.week import Round
from schemas import Tables
from schemas.tables import TABLES
from tests.simulate import LADDERS, Simulated, World, cells_of, simulate
from tests.simulated_round import day_of, tables_of, tank_names

FIGURES = built_in()
TANKS = 72  # on two rounds of 36, so twelve a kit


def calculated(sim: Simulated) -> tuple[Tables, Tables]:
    tables = tables_of(sim)
    asked = pl.DataFrame({"tank": tank_names(sim), "as_of": [day_of(sim, 43)] * TANKS})
    return tables, calculate_nitrate(tables, asked, FIGURES, Round())


def gone_off(sim: Simulated, factor: float, after: int) -> Simulated:
    """The same tanks read with kits that read too high by a factor after a visit."""
    rng = np.random.default_rng(9)
    shown = np.maximum((sim.before + 2) * np.exp(0.2 * rng.standard_normal(sim.before.shape)) - 2, 0.0)
    shown[after + 1 :] *= factor
    value, low, high = (np.empty_like(shown) for _ in range(3))
    for number, steps in enumerate(LADDERS):
        mine = sim.ladder == number
        edges = 0.5 * (np.array(steps[1:]) + np.array(steps[:-1]))
        value[:, mine] = np.array(steps)[np.searchsorted(edges, shown[:, mine])]
        low[:, mine], high[:, mine] = cells_of(steps, value[:, mine])
    return replace(sim, value=value, low=low, high=high)


WORLD = World(visits=44, round_tanks=36, kit_visits=44)


@pytest.fixture(scope="module")
def shifted() -> tuple[Tables, Tables]:
    return calculated(gone_off(simulate(WORLD, TANKS, 81), 1.6, 35))


def test_a_kit_gone_off_holds_its_tanks_alarms_down(shifted: tuple[Tables, Tables]) -> None:
    _, out = shifted
    steps = out["step_alarm"]
    TABLES["step_alarm"].validate(steps)
    assert len(steps) > 0.5 * TANKS
    assert steps["kit_batch"].is_not_null().mean() > 0.6
    held = steps.filter(pl.col("kit_batch").is_not_null())
    fits = out["nitrate_fit"].filter(pl.col("window") == "recent")
    quiet = held.join(fits.filter(pl.col("low") <= FIGURES["climbing_rate"]), on=["tank", "as_of"])
    trend = quiet.join(out["nitrate_outlook"], on=["tank", "as_of"])["trend"]
    assert "climbing" not in trend.to_list()  # held down, it is no step in force


def test_doing_it_twice_changes_nothing(shifted: tuple[Tables, Tables]) -> None:
    tables, out = shifted
    again = hold_down(out, tables, FIGURES)
    assert again["step_alarm"].equals(out["step_alarm"])
    assert again["nitrate_outlook"].equals(out["nitrate_outlook"])


def test_tanks_that_step_together_keep_their_alarms() -> None:
    _, out = calculated(simulate(replace(WORLD, step_at=35, step_size=1.5), TANKS, 82))
    steps = out["step_alarm"]
    assert len(steps) > 0.6 * TANKS
    assert steps["kit_batch"].is_not_null().mean() < 0.2


def test_few_alarms_are_nobodys_kit() -> None:
    _, out = calculated(simulate(WORLD, TANKS, 83))
    assert out["step_alarm"]["kit_batch"].is_null().all()


def test_words_for_the_trend() -> None:
    requests = pl.DataFrame({"tank": list("ABCDEF"), "as_of": [day_of(simulate(World(visits=2), 1, 1), 0)] * 6})
    limit = FIGURES["climbing_rate"]
    low = [limit + 0.1, 0.0, 0.0, None, limit + 0.1, 0.0]
    high = [2.0, limit, 2.0, None, None, limit - 0.1]
    fits = requests.with_columns(window=pl.lit("recent"), low=pl.Series(low), high=pl.Series(high))
    steps = requests.filter(pl.col("tank").is_in(["C", "F"])).with_columns(
        kit_batch=pl.when(pl.col("tank") == "F").then(pl.lit("K1"))
    )
    assert trend_of(requests, fits, steps, FIGURES).to_list() == [
        "climbing", "steady", "climbing", "not clear", "climbing", "steady",
    ]  # fmt: skip
