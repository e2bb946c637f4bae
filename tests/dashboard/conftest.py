"""What tests of several pages share."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import streamlit as st


@pytest.fixture
def fresh_caches() -> None:
    """For pages that write: what another test had loaded is not seen again."""
    st.cache_resource.clear()
    st.cache_data.clear()


@pytest.fixture
def logs(demo_logs: Path, tmp_path: Path) -> Path:
    """A loaded copy of the demo round that may be written to."""
    return Path(shutil.copytree(demo_logs, tmp_path / "logs"))
