"""Where the parts of a calculation run: in this process, over the cores of this machine, or over a cluster.

A part is a pure function of frames, so that the tables come out the same wherever it ran.
"""

import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import CancelledError, Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, contextmanager
from importlib import import_module
from importlib.metadata import version
from multiprocessing import get_context, parent_process
from typing import Any

from pipeline.problems import Problem

PAYS_FROM = 16_000  # bytes of tanks.csv, some 300 tanks: with fewer, starting processes takes as long as they save
ANSWER_S = 10  # that a scheduler may take to answer
Run = Callable[[Callable[[Any], Any], Iterable[Any]], Iterator[Any]]  # as `map`: results in the order of the parts


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _leave_with_parent() -> None:
    if (parent := parent_process()) is not None:
        parent.join()
        os._exit(1)


def _begin() -> None:
    """A worker has one core, leaves Ctrl-C to its parent, and does not outlive it."""
    os.environ["POLARS_MAX_THREADS"] = "1"
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_leave_with_parent, daemon=True).start()
    import_module("pipeline.derive")


def _over(executor: Executor, ahead: int, lost: str, here: bool = False) -> Run:
    """As `map`, with no more than `ahead` parts under way: memory stays bounded however many there are. While so many are,
    it waits; or does a part in this process, where `here` says so."""

    def run(function: Callable[[Any], Any], parts: Iterable[Any]) -> Iterator[Any]:
        waiting: deque[Future[Any]] = deque()
        try:
            for part in parts:
                busy = sum(not one.done() for one in waiting) >= ahead
                if busy and here:
                    mine: Future[Any] = Future()
                    mine.set_result(function(part))
                    waiting.append(mine)
                else:
                    if busy:
                        yield waiting.popleft().result()
                    waiting.append(executor.submit(function, part))
                while waiting and waiting[0].done():
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        except (BrokenProcessPool, CancelledError):
            raise Problem(lost) from None

    return run


def _client(address: str) -> Any:
    """A client of the scheduler at an address, whose workers have this version of our code."""
    from pipeline.reuse import code_fingerprint

    try:
        from distributed import Client
    except ImportError:
        raise Problem(
            "--scheduler needs Dask, which is not installed; expected the extra “cluster”."
            " Install it: pip install 'tankround[cluster]'. Or leave --scheduler away: this machine then does it all."
        ) from None
    start = f"Start one with `dask scheduler`, workers with `dask worker {address}`, or leave --scheduler away."
    try:
        client = Client(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, ValueError, TypeError):
        raise Problem(
            f"No Dask scheduler answers at {address}; expected an address like tcp://192.168.1.20:8786. {start}"
        ) from None
    try:
        versions = set(client.run(code_fingerprint).values())
    except ImportError:
        versions = {""}
    if versions == {code_fingerprint()}:
        return client
    client.close()
    found = "has workers of another version of tankround, or of none" if versions else "has no workers"
    raise Problem(f"{address} {found}; expected tankround {version('tankround')} on each of them. {start}")


@contextmanager
def workers(size: int, scheduler: str | None = None) -> Iterator[Run]:
    """What to run the parts of a round with whose tanks.csv has so many bytes: a cluster's processes where a scheduler is
    named, this machine's where that pays, else this process. They begin at once, and are ready when all is read."""
    cores = _cores()
    with ExitStack() as stack:
        if scheduler is not None:
            client = stack.enter_context(_client(scheduler))
            lost = (
                f"The cluster at {scheduler} was lost on the way; expected it to stay. Nothing was changed: load again."
            )
            # What is sent is frames, not a graph of many steps that Dask would warn of.
            import dask

            stack.enter_context(dask.config.set({"distributed.admin.large-graph-warning-threshold": "1GiB"}))
            ahead = 2 * sum(client.nthreads().values())
            yield _over(stack.enter_context(client.get_executor(pure=False)), ahead, lost)
        # A thread of the dashboard has no main module that another process could begin with.
        elif size >= PAYS_FROM and cores > 1 and threading.current_thread() is threading.main_thread():
            pool = ProcessPoolExecutor(cores - 1, get_context("spawn"), _begin)
            stack.callback(pool.shutdown, wait=True, cancel_futures=True)
            for _ in range(cores - 1):
                pool.submit(os.getpid)
            lost = "A process of the calculation was ended, most often because memory ran out; nothing was changed. Load again."
            yield _over(pool, 2 * (cores - 1), lost, here=True)
        else:
            yield map
