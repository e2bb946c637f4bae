"""Loads and other writing in processes of their own, which may be killed at any moment.

A server process imports everything once and forks for each load. It has begun no thread pool by then, so a fork is as
good as a fresh process, without the seconds that imports take. Lines of JSON: a wish in, what became of it out.
"""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import TracebackType
from typing import IO, Any

ROOT = Path(__file__).parents[2]
PATIENCE_S = 120.0  # a load of a small folder that takes longer hangs
STAGES = ("reading and checking", "calculation", "storing")  # as progress names them; the last two inside the building


@dataclass(frozen=True)
class Wish:
    """A load of a folder; killed `delay` seconds after it begins `stage`, or by itself, or left alone.

    By itself: just before or after the first call of a function of `os`, as `dies="before replace"`.
    """

    folder: str
    db: str | None = None
    stage: str | None = None
    delay: float = 0.0
    dies: str | None = None
    what: str = "load"  # or a name of WRITES in tests/kills.py, done the `number`th time
    number: int = 0


@dataclass(frozen=True)
class Ended:
    """What became of it: exit status (−9: killed), whether anything was new, what it said, seconds to each stage."""

    status: int
    new: bool | None = None
    said: str = ""
    at: dict[str, float] = field(default_factory=dict)


class Loader:
    """A server of loads. Two of them load at once."""

    def __init__(self, **environment: str) -> None:
        calm = {"OPENBLAS_NUM_THREADS": "1", "POLARS_MAX_THREADS": "1", "OMP_NUM_THREADS": "1"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.store.loaders"],
            cwd=ROOT,
            env={**os.environ, **calm, **environment},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def __enter__(self) -> Loader:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.process.communicate()  # an end of input ends it

    def start(self, wish: Wish) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(asdict(wish)) + "\n")
        self.process.stdin.flush()

    def ended(self) -> Ended:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, "the server of loads has died"
        return Ended(**json.loads(line))

    def load(self, wish: Wish) -> Ended:
        self.start(wish)
        return self.ended()


def _die(when: str, name: str) -> None:
    """Kill this process before or after its first call of a function of `os`."""
    real = getattr(os, name)

    def last(*given: Any, **named: Any) -> None:
        if when == "after":
            real(*given, **named)
        os.kill(os.getpid(), signal.SIGKILL)

    setattr(os, name, last)


def _load(wish: Wish, pipe: int) -> None:
    """In the child: load, and tell the pipe of each stage as it begins."""
    from pipeline import weekly
    from pipeline.problems import Problem
    from tests.small_folder import TODAY

    def tell(**what: object) -> None:
        os.write(pipe, (json.dumps(what) + "\n").encode())

    if wish.dies is not None:
        _die(*wish.dies.split())
    status = 1
    try:
        folder, db = Path(wish.folder), Path(wish.db) if wish.db else None
        if wish.what == "load":
            tell(new=weekly.load(folder, db, TODAY, lambda _, doing: tell(stage=doing)).new)
        else:
            from tests.kills import WRITES

            write = WRITES[wish.what](folder, wish.number)
            tell(stage="writing")
            write()
        status = 0
    except Problem as problem:
        tell(said=str(problem))
    except BaseException:
        tell(said=traceback.format_exc())
        status = 70
    finally:
        os._exit(status)


def _watch(wish: Wish, pipe: IO[bytes], child: int) -> Ended:
    """In the server: kill the child when its time has come. Nobody else reaps, so its number is its own."""
    begun, kill_at = time.monotonic(), None
    told: dict[str, object] = {}
    at: dict[str, float] = {}
    rest = b""
    while True:
        until = kill_at if kill_at is not None else begun + PATIENCE_S
        ready, _, _ = select.select([pipe], [], [], max(until - time.monotonic(), 0))
        if not ready:
            os.kill(child, signal.SIGKILL)
            break
        piece = os.read(pipe.fileno(), 65536)
        if not piece:
            break
        *lines, rest = (rest + piece).split(b"\n")
        for line in lines:
            told |= json.loads(line)
            if "stage" in told:
                stage = str(told.pop("stage"))
                at[stage] = time.monotonic() - begun
                if stage == wish.stage:
                    kill_at = time.monotonic() + wish.delay
    _, how = os.waitpid(child, 0)
    at["end"] = time.monotonic() - begun
    return Ended(os.waitstatus_to_exitcode(how), at=at, **told)  # type: ignore[arg-type]


def _made_in_a_fork(make: Callable[[], bytes]) -> bytes:
    """What a function gives, made in a child: DuckDB begins threads, and a process that forks must have none."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        with os.fdopen(writing, "wb") as pipe:
            pipe.write(make())
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        made = pipe.read()
    os.waitpid(child, 0)
    return made


def serve() -> None:
    # What a load needs is imported once, here.
    import pipeline.derive
    import pipeline.intake.check
    import pipeline.intake.sheets
    import pipeline.weekly  # noqa: F401
    from pipeline import reuse
    from pipeline.store import warehouse
    from schemas.tables import TABLES

    for model in TABLES.values():
        model.to_schema()  # made once and kept: a second less for each child
    reuse.code_fingerprint()
    blank = _made_in_a_fork(warehouse.blank)
    warehouse.blank = lambda: blank  # type: ignore[assignment]
    for line in sys.stdin:
        wish = Wish(**json.loads(line))
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            _load(wish, writing)
        os.close(writing)
        with os.fdopen(reading, "rb", buffering=0) as pipe:
            ended = _watch(wish, pipe, child)
        print(json.dumps(asdict(ended)), flush=True)


if __name__ == "__main__":
    serve()
