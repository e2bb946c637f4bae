"""The demo round: reproducible, small, readable, and its records agree with each other."""

from __future__ import annotations

import csv
import datetime as dt
import io
from itertools import pairwise
from pathlib import Path

import pytest

from tests.demo_round.files import sheets
from tests.demo_round.kits import KITS
from tests.demo_round.tanks import SITES, TANKS

SAMPLE = Path(__file__).resolve().parent.parent / "sample_logs"
SMALL = 600_000  # bytes


@pytest.fixture(scope="module")
def made() -> dict[str, bytes]:
    return sheets()


def rows(made: dict[str, bytes], name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(made[name].decode())))


def test_the_committed_files_are_what_the_generator_writes(made: dict[str, bytes]) -> None:
    committed = {
        path.relative_to(SAMPLE).as_posix(): path.read_bytes()
        for path in SAMPLE.rglob("*")
        if path.is_file() and ".tankround" not in path.parts
    }
    assert sorted(committed) == sorted(made)
    assert [name for name in made if committed[name] != made[name]] == []


def test_it_says_that_it_is_invented_and_stays_small(made: dict[str, bytes]) -> None:
    assert "invented" in made["round.toml"].decode().splitlines()[0]
    assert sum(map(len, made.values())) < SMALL


def test_24_tanks_on_7_sites_over_40_weeks(made: dict[str, bytes]) -> None:
    assert len(TANKS) == len(rows(made, "tanks.csv")) == 24
    assert len(SITES) == len(rows(made, "sites.csv")) == 7
    names = [name for name in made if name.startswith("visits/2") and name.count("-") == 1]
    days = [dt.date.fromisoformat(row["date"]) for name in names for row in rows(made, name)]
    assert min(days) == dt.date(2025, 8, 27)
    assert max(days) == dt.date(2026, 6, 1)


def test_no_ladder_is_regular_and_none_is_another_kits() -> None:
    """Steps grow unevenly: no ladder is a run of multiples of its first step."""
    for kit in KITS:
        for parameter, ladder in kit.ladders.items():
            if ladder.per_drop:
                continue
            steps = [float(step) for step in ladder.steps]
            assert steps == sorted(set(steps)), (kit.id, parameter)
            gaps = {round(b - a, 3) for a, b in pairwise(steps)}
            assert len(gaps) > 1, (kit.id, parameter)


def test_feeding_is_that_of_the_stocking(made: dict[str, bytes]) -> None:
    """Common practice, no source: about 0.5 g a day for 100 L normally stocked; more only where a case says so."""
    overfed = {"LM2", "TC2", "SS2", "SS3", "QO1"}
    for tank in TANKS:
        _, grams, _ = tank.feed[-1]
        per_100_l = 100 * grams / tank.litres
        if tank.id not in overfed:
            assert 0.2 < per_100_l < 0.6, tank.id
