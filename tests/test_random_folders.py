"""Random folders through every command and paper: exit codes as documented, no traceback, no null, no row lost."""

from pathlib import Path

import pytest

from tests.random_folders import NULLS, through_everything, write


@pytest.mark.slow
@pytest.mark.parametrize("tens", range(3))
def test_random_folders_go_through_everything(tens: int, tmp_path: Path) -> None:
    for seed in range(10 * tens, 10 * tens + 10):
        folder = write(seed, tmp_path / f"logs{seed}")
        through_everything(folder, tmp_path / f"out{seed}", commands=seed % 5 == 0, papers=seed % 20 == 0)


def test_a_word_for_a_null_is_found() -> None:
    assert NULLS.search("rises None a week")
    assert NULLS.search("∞ weeks")
    assert not NULLS.search("nonesuch, inform, nankeen")
