"""What tests of several rooms share: the demo round, copied once and loaded once."""

from __future__ import annotations

import datetime as dt
import gc
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# As many workers as cores: threads more for each small matrix or frame only wait, and burn a core while they do.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("POLARS_MAX_THREADS", "1")

from pipeline.wording import in_currency

# Speed is measured in benchmarks, never by a test: a busy machine must not fail one.
settings.register_profile("untimed", deadline=None, derandomize="CI" in os.environ)
settings.load_profile("untimed")

ROOT = Path(__file__).parents[1]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
SAMPLE_LOGS = ROOT / "sample_logs"


DEMO_DAY = dt.date(2026, 6, 1)

# Whole loads, pages, and estimators tried on many tanks: left out by `-m "not slow"`, the minute while one works.
SLOW = (
    "advise/test_hangs_on", "advise/test_plan", "advise/test_scenarios", "advise/test_what_if", "calc/test_capacity",
    "calc/test_filters", "calc/test_kit_shift", "calc/test_nitrate.py", "calc/test_nitrate_steps", "dashboard/",
    "intake/test_grammar_fuzz", "intake/test_new_parameter", "papers/test_site_report", "store/", "test_cli",
    "test_derive", "test_doors", "test_from_sheet", "test_hostile_folders", "test_parts", "test_reuse", "test_trial",
)  # fmt: skip


# What takes longest, longest first: each worker takes a file after the other, so the last are short. Each collects every
# file, so the programs that we are compared with are imported where they are used.
LONGEST = (
    "dashboard/test_browser", "test_random_folders", "dashboard/", "store/test_under_fire", "test_parts",
    "papers/test_phone_form", "store/", "advise/", "test_hostile_folders", "test_cli", "test_reuse", "test_words",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what is slow; sort by length (`--dist loadfile` keeps the tests of a file, which share what they load, together)."""

    def rank(item: pytest.Item) -> int:
        return next((n for n, start in enumerate(LONGEST) if file_of(item).startswith(start)), len(LONGEST))

    def file_of(item: pytest.Item) -> str:
        return item.path.relative_to(Path(__file__).parent).as_posix()

    items.sort(key=rank)
    for item in items:
        if file_of(item).startswith(SLOW):
            item.add_marker(pytest.mark.slow)


def pytest_collection_finish() -> None:
    """What is imported and collected stays to the end: the garbage collector need not walk through it again and again."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 10, 10)


@pytest.fixture(scope="session", autouse=True)
def _on_the_demo_s_day() -> Iterator[None]:
    """The day of loading in this process is the demo's own, so that its tests say the same on any day."""
    from pipeline import weekly

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(weekly, "_today", lambda: DEMO_DAY)
        yield


@pytest.fixture(autouse=True)
def _no_currency() -> None:
    """A round that another test opened says nothing of the prices of this one."""
    in_currency("")


@pytest.fixture(scope="session")
def demo_logs(tmp_path_factory: pytest.TempPathFactory, _on_the_demo_s_day: None) -> Path:
    """A loaded copy of the demo round. Tests that write to it take a copy of their own."""
    from pipeline import weekly

    folder = tmp_path_factory.mktemp("demo") / "logs"
    shutil.copytree(SAMPLE_LOGS, folder, ignore=shutil.ignore_patterns(".tankround"))
    weekly.load(folder)
    return folder


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """One Chromium for all: playwright refuses a second one in the same process."""
    if CHROMIUM is None:
        assert "CI" not in os.environ, "CI must have Chromium: the browser tests may not be skipped there"
        pytest.skip("no Chromium on this machine: the browser tests need one")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()
