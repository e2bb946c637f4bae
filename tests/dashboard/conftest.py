"""What tests of several pages share: a copy to write to, one real browser, one server of the demo round."""

from __future__ import annotations

import datetime as dt
import shutil
import subprocess
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from dashboard.launch import command, environment, free_port
from pipeline import weekly
from pipeline.new_folder import make_folder


@pytest.fixture
def logs(demo_logs: Path, tmp_path: Path) -> Path:
    """A loaded copy of the demo round that may be written to."""
    return Path(shutil.copytree(demo_logs, tmp_path / "logs"))


DAY = dt.date(2026, 6, 2)  # a Tuesday: Ottersage Court and Thistlebun Day Centre


@pytest.fixture(scope="session")
def next_day(demo_logs: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo round loaded on the day after its own. Tests that write to it take a copy of their own."""
    folder = Path(shutil.copytree(demo_logs, tmp_path_factory.mktemp("next") / "logs"))
    weekly.load(folder, today=DAY)
    return folder


@pytest.fixture(scope="session")
def empty_logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A round that is just begun."""
    folder = tmp_path_factory.mktemp("empty") / "logs"
    make_folder(folder)
    weekly.load(folder)
    return folder


@pytest.fixture
def as_it_stands(monkeypatch: pytest.MonkeyPatch) -> Callable[[Path], None]:
    """From now on nothing of a folder is new to a load: for what is kept where only the file is looked at."""

    def stands(folder: Path) -> None:
        mark = weekly._fingerprint(folder, weekly._files(folder))
        monkeypatch.setattr(weekly, "_fingerprint", lambda *_: mark)

    return stands


@contextmanager
def serving(logs: Path) -> Iterator[str]:
    """The dashboard of a folder as its own process; its address."""
    port = free_port()
    server = subprocess.Popen(
        command(port), env=environment(logs, None, dt.date(2026, 6, 1)), stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    url = f"http://127.0.0.1:{port}"
    try:
        for _ in range(150):
            try:
                with urllib.request.urlopen(f"{url}/_stcore/health", timeout=1):
                    break
            except OSError:
                time.sleep(0.2)
        yield url
    finally:
        server.terminate()
        server.wait(10)


@pytest.fixture(scope="session")
def phone_logs(demo_logs: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A loaded copy of the demo round that the browser tests write to."""
    return Path(shutil.copytree(demo_logs, tmp_path_factory.mktemp("phone") / "logs"))


@pytest.fixture(scope="session")
def served(phone_logs: Path) -> Iterator[str]:
    with serving(phone_logs) as url:
        yield url
