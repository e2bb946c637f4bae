"""What tests of several rooms share: the demo round, copied once and loaded once."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hypothesis import settings

# Speed is measured in benchmarks, never by a test: a busy machine must not fail one.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

ROOT = Path(__file__).parents[1]
SAMPLE_LOGS = ROOT / "sample_logs"


@pytest.fixture(scope="session")
def demo_logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A loaded copy of the demo round. Tests that write to it take a copy of their own."""
    from pipeline import weekly

    folder = tmp_path_factory.mktemp("demo") / "logs"
    shutil.copytree(SAMPLE_LOGS, folder, ignore=shutil.ignore_patterns(".tankround"))
    weekly.load(folder)
    return folder
