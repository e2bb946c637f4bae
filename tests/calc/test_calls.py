"""The example calls of DEVELOPERS.md: each is run, and every formula has one."""

from __future__ import annotations

import inspect
from pathlib import Path

import pytest

from pipeline.assumptions import built_in
from pipeline.calc import chemistry, factors, half_cycle, mixing

DEVELOPERS = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
CALLS = DEVELOPERS.partition("## Calls of calc")[2].partition("```python\n")[2].partition("```")[0].splitlines()
ROOMS = {module.__name__.rpartition(".")[2]: module for module in (chemistry, factors, half_cycle, mixing)}
OF_FRAMES = {"half_cycle.of_filters", "half_cycle.of_tanks"}


@pytest.mark.parametrize("line", CALLS)
def test_a_call_gives_what_stands_behind_it(line: str) -> None:
    call, _, told = line.partition("  # ")
    found = eval(call, {**ROOMS, "A": built_in()})
    wanted = eval(told)
    assert found == wanted if isinstance(wanted, str) else found == pytest.approx(wanted, rel=1e-3)


def test_every_formula_has_its_call() -> None:
    formulas = {
        f"{room}.{name}"
        for room, module in ROOMS.items()
        for name, function in inspect.getmembers(module, inspect.isfunction)
        if function.__module__ == module.__name__ and not name.startswith("_")
    }
    assert formulas - OF_FRAMES == {line.partition("(")[0] for line in CALLS}
