"""Parts run in other processes, or over a cluster, come to the same tables; where they cannot, a sentence says why."""

from __future__ import annotations

import datetime as dt
import os
import socket
import sys
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from pathlib import Path
from types import ModuleType

import pytest

from pipeline import derive, parts, weekly
from pipeline.problems import Problem
from tests.bench.large_logs import write_standing, write_visits
from tests.store.sameness import assert_same_tables, tables_of

TODAY = dt.date(2022, 3, 1)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("parts") / "logs"
    write_standing(place, 6)
    write_visits(place, 6, 30)
    return place


@pytest.fixture(autouse=True)
def small_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(derive, "TANKS_AT_ONCE", 3)
    # A page under test leaves its script as the main module, with which another process would begin.
    monkeypatch.setitem(sys.modules, "__main__", ModuleType("__main__"))


@pytest.fixture(scope="module")
def alone(folder: Path) -> Path:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(derive, "TANKS_AT_ONCE", 3)
        return weekly.load(folder, folder.parent / "alone.duckdb", TODAY).db


def nothing(_: object) -> int:
    return os.getpid()


def fall(_: object) -> None:
    os._exit(9)


def test_forty_tanks_start_no_process() -> None:
    with parts.workers(40) as run:
        assert set(run(nothing, range(3))) == {os.getpid()}


def test_while_the_others_are_busy_a_part_is_done_here_and_the_results_stay_in_order() -> None:
    submitted: list[Future[str]] = []

    class Busy(Executor):
        def submit(self, *_: object, **__: object) -> Future[str]:
            submitted.append(Future())
            return submitted[-1]

    def here(part: int) -> str:
        for one in submitted:
            if part == 2 and not one.done():
                one.set_result("there")
        return "here"

    def given() -> Iterator[int]:
        yield from range(4)
        submitted[-1].set_result("there")  # the last, when all are given out

    run = parts._over(Busy(), 1, "", here=True)
    assert list(run(here, given())) == ["there", "here", "here", "there"]


@pytest.mark.slow
def test_two_processes_come_to_the_same_tables(
    folder: Path, alone: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parts, "PAYS_FROM", 1)
    monkeypatch.setattr(parts, "_cores", lambda: 2)
    asked: list[int] = []
    real = parts._over

    def watched(*given: object, **more: object) -> parts.Run:
        asked.append(1)
        return real(*given, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(parts, "_over", watched)
    together = weekly.load(folder, tmp_path / "together.duckdb", TODAY).db
    assert asked
    assert_same_tables(tables_of(together), tables_of(alone))
    # A process that is ended is told of, and no more.
    with pytest.raises(Problem, match="A process of the calculation was ended"), parts.workers(1) as run:
        list(run(fall, range(2)))


@pytest.fixture
def cluster() -> Iterator[str]:
    distributed = pytest.importorskip("distributed", reason="the extra “cluster” is not installed")
    place = os.environ.get("PYTHONPATH", "")
    os.environ["PYTHONPATH"] = os.pathsep.join([str(Path(__file__).parents[1]), place])
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as local:
        os.environ["PYTHONPATH"] = place
        yield local.scheduler_address


@pytest.mark.slow
@pytest.mark.filterwarnings("default")  # Dask's own
def test_a_cluster_comes_to_the_same_tables(cluster: str, folder: Path, alone: Path, tmp_path: Path) -> None:
    afar = weekly.load(folder, tmp_path / "afar.duckdb", TODAY, scheduler=cluster).db
    assert_same_tables(tables_of(afar), tables_of(alone))
    with parts.workers(1, cluster) as run:
        there = set(run(nothing, range(8)))
    assert os.getpid() not in there


def test_a_scheduler_without_the_extra_is_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(Problem, match="not installed; expected the extra “cluster”"), parts.workers(1, "tcp://a:1"):
        pass


@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize("address", ["tcp://127.0.0.1:{free}", "nonsense", "10:20:30"])
def test_an_address_that_does_not_answer_is_a_sentence(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed", reason="the extra “cluster” is not installed")
    monkeypatch.setattr(parts, "ANSWER_S", 0.2)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(Problem, match="No Dask scheduler answers at"), parts.workers(1, address.format(free=port)):
        pass
