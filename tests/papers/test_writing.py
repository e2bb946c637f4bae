"""Files are whole or not there; their names are safe."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.papers.writing import safe_name, ticked_note, write_bytes, zipped
from pipeline.problems import Problem


def test_a_file_is_replaced_whole(tmp_path: Path) -> None:
    path = write_bytes(tmp_path / "new" / "a.txt", "one")
    write_bytes(path, b"two")
    assert path.read_bytes() == b"two"
    assert [p.name for p in path.parent.iterdir()] == ["a.txt"]


def test_a_folder_that_can_not_be_made_gets_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(Problem, match="could not be written"):
        write_bytes(tmp_path / "file" / "a.txt", "one")


@given(st.text(max_size=100), st.text(max_size=100))
def test_names_are_safe_and_kept_apart(one: str, other: str) -> None:
    name = safe_name(one)
    assert name
    assert all(char.isascii() and (char.isalnum() or char in "-_") for char in name)
    assert one == other or name != safe_name(other)


def test_a_zip_opens_and_is_the_same_every_time() -> None:
    files = [("a.csv", b"1"), ("b.html", b"x" * 5000)]
    made = zipped(iter(files))
    with zipfile.ZipFile(io.BytesIO(made)) as book:
        assert [(name, book.read(name)) for name in book.namelist()] == files
    assert zipped(files) == made
    assert len(made) < 1000


def test_ticked_notes() -> None:
    assert ticked_note("visits/2026-05.csv:12") == ("visits/2026-05.csv", 12)
    assert ticked_note("a:b.csv:3") == ("a:b.csv", 3)
    with pytest.raises(Problem, match="FILE:LINE"):
        ticked_note("visits/2026-05.csv")
