"""Writing to a log folder: whole or not at all, never over a raw file, never outside the folder."""

from __future__ import annotations

import csv
import datetime as dt
import os
import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from pipeline import logbook
from pipeline.problems import Problem

ROW = {
    "file": "visits/2026-05.csv",
    "line": "7",
    "column": "nitrate",
    "was": "05-Oct",
    "now": "5-10",
    "by": "owner",
    "on": "2026-06-01",
    "why": 'spreadsheet, "helpful"',
}


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (None, '[columns]\n"Day" = "date"\n"a \\"b\\"" = ""\n'),
        ('[round]\nname = "x"', '[round]\nname = "x"\n\n[columns]\n"Day" = "date"\n"a \\"b\\"" = ""\n'),
        ('[columns] # ours\n"Day" = "time"\n[van]\n', '[columns] # ours\n"a \\"b\\"" = ""\n"Day" = "time"\n[van]\n'),
    ],
)
def test_own_columns_go_into_the_settings_beside_what_is_there(tmp_path: Path, old: str | None, new: str) -> None:
    target = tmp_path / "round.toml"
    if old is not None:
        target.write_text(old)
    logbook.save_columns(tmp_path, {"Day": "date", 'a "b"': ""})
    assert target.read_text() == new
    logbook.save_columns(tmp_path, {"Day": "date", 'a "b"': ""})
    assert target.read_text() == new, "once"


def test_a_row_more_goes_into_any_file_in_its_own_columns(tmp_path: Path) -> None:
    target = tmp_path / "feeding.csv"
    target.write_text("Tank;Feed g day;from\nT1;2;2026-01-01")
    row = {"tank": "T2", "from": "2026-05-01", "feed_g_day": "1.5", "note": ""}
    assert logbook.add_rows(tmp_path, "feeding.csv", list(row), [row]) == target
    assert target.read_text() == "Tank;Feed g day;from\nT1;2;2026-01-01\nT2;1.5;2026-05-01\n"
    with pytest.raises(Problem, match="expected the columns tank, from, feed_g_day, note"):
        logbook.add_rows(tmp_path, "feeding.csv", list(row), [{**row, "note": "flakes"}])
    logbook.add_rows(tmp_path, "tap.csv", ["water_supply", "date"], [{"water_supply": "W", "date": "2026-05-01"}])
    assert (tmp_path / "tap.csv").read_text() == "water_supply,date\nW,2026-05-01\n"


def test_settings_that_are_broken_take_no_columns(tmp_path: Path) -> None:
    (tmp_path / "round.toml").write_text("[round\n")
    with pytest.raises(Problem, match="Put it right, then keep again"):
        logbook.save_columns(tmp_path, {"Day": "date"})
    assert (tmp_path / "round.toml").read_text() == "[round\n"


def test_the_first_correction_makes_the_file(tmp_path: Path) -> None:
    logbook.add_corrections(tmp_path, [ROW])
    with (tmp_path / "corrections.csv").open(newline="") as file:
        assert list(csv.DictReader(file)) == [ROW]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_a_correction_keeps_encoding_separator_and_column_order(tmp_path: Path, encoding: str) -> None:
    target = tmp_path / "corrections.csv"
    header = "Why;by;ON;now;was;column;line;file"
    target.write_bytes(f"{header}\nça va;x;2026-05-01;1;2;ph;3;visits/a.csv".encode(encoding))
    logbook.add_corrections(tmp_path, [ROW])
    lines = target.read_bytes().decode(encoding).split("\n")
    assert lines[0] == header
    assert lines[1].startswith("ça va;")
    assert lines[2].endswith(";owner;2026-06-01;5-10;05-Oct;nitrate;7;visits/2026-05.csv")
    assert target.read_bytes()[:3] == (b"\xef\xbb\xbf" if encoding == "utf-8-sig" else target.read_bytes()[:3])


def test_a_correction_in_another_encoding_loses_no_sign(tmp_path: Path) -> None:
    """Signs that Windows-1252 lacks: the file becomes UTF-8. Bytes that it leaves open: they stay."""
    target = tmp_path / "corrections.csv"
    header = ",".join(ROW) + "\n"
    target.write_bytes(f"{header}a,1,b,c,d,ça,f,g\n".encode("cp1252"))
    logbook.add_corrections(tmp_path, [{**ROW, "why": "level → 5"}])
    text = target.read_bytes().decode("utf-8-sig")
    assert "ça" in text
    assert "level → 5" in text
    odd = header.encode() + b"a,1,b,c,d,\x81\xe7,f,g\n"
    target.write_bytes(odd)
    logbook.add_corrections(tmp_path, [ROW])
    assert target.read_bytes().startswith(odd)


def test_a_header_not_understood_changes_nothing(tmp_path: Path) -> None:
    target = tmp_path / "corrections.csv"
    target.write_text("file,cell,new\n")
    with pytest.raises(Problem, match="line 1"):
        logbook.add_corrections(tmp_path, [ROW])
    assert target.read_text() == "file,cell,new\n"


def test_corrections_added_at_once_are_all_kept(tmp_path: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda n: logbook.add_corrections(tmp_path, [{**ROW, "line": str(n)}]), range(24)))
    with (tmp_path / "corrections.csv").open(newline="") as file:
        assert sorted(int(row["line"]) for row in csv.DictReader(file)) == list(range(24))


def test_visits_are_new_files_with_the_columns_that_were_filled(tmp_path: Path) -> None:
    day = dt.date(2026, 6, 1)
    first = logbook.save_visits(tmp_path, [{"date": "2026-06-01", "tank": "M1", "nitrate": "13-29"}], day)
    second = logbook.save_visits(tmp_path, [{"date": "2026-06-01", "tank": "M2"}], day)
    assert first != second
    assert first.read_text() == "date,tank,nitrate\n2026-06-01,M1,13-29\n"
    assert [p.name for p in sorted((tmp_path / "visits").iterdir())] == [first.name, second.name]


@pytest.mark.parametrize(
    "name", ["../escape.csv", "/etc/x.csv", "a/b.csv", ".hidden.csv", "x.txt", "", "a\x00.csv", "ü.csv"]
)
def test_an_upload_never_leaves_its_folder(tmp_path: Path, name: str) -> None:
    with pytest.raises(Problem, match="file name"):
        logbook.save_upload(tmp_path, "visits", name, b"date,tank\n")
    assert not any(tmp_path.rglob("*.csv"))


def test_an_upload_never_writes_over_a_file(tmp_path: Path) -> None:
    kept = logbook.save_upload(tmp_path, "services", "may.csv", b"one\n")
    with pytest.raises(Problem, match="there already"):
        logbook.save_upload(tmp_path, "services", "may.csv", b"two\n")
    assert kept.read_bytes() == b"one\n"
    with pytest.raises(Problem, match="takes no uploads"):
        logbook.save_upload(tmp_path, "sites", "may.csv", b"two\n")


def test_an_upload_has_a_limit(tmp_path: Path) -> None:
    with pytest.raises(Problem, match="expected 5 MB or less"):
        logbook.save_upload(tmp_path, "visits", "big.csv", b"x" * 5_000_001)
    assert not any(tmp_path.rglob("*.csv"))


@pytest.mark.parametrize(
    ("given", "safe"),
    [
        ("May.csv", "May.csv"),
        ("../../etc/passwd", "passwd.csv"),
        ("C:\\sheets\\Mai (1).CSV", "Mai -1.csv"),
        ("Straße für Ärzte.csv", "Strae fur Arzte.csv"),
        (".hidden.csv", "hidden.csv"),
        ("読み.csv", "sheet.csv"),
        ("x" * 200 + ".csv", "x" * 70 + ".csv"),
        ("taken.csv", "taken-2.csv"),
    ],
)
def test_a_name_offered_for_an_upload_is_safe_and_free(tmp_path: Path, given: str, safe: str) -> None:
    logbook.save_upload(tmp_path, "visits", "taken.csv", b"one\n")
    name = logbook.free_name(tmp_path, "visits", given)
    assert name == safe
    assert logbook.save_upload(tmp_path, "visits", name, b"two\n").parent == tmp_path / "visits"


def test_a_folder_that_is_not_there_is_closed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert logbook.closed(tmp_path) == ""
    assert "is not there" in logbook.closed(tmp_path / "none")
    monkeypatch.setattr(os, "access", lambda path, how: False)
    assert "may only be read" in logbook.closed(tmp_path)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_read_only_folder_is_told(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(Problem, match="may not be written"):
        logbook.add_corrections(tmp_path, [ROW])


def test_a_full_disk_is_told_and_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    logbook.add_corrections(tmp_path, [ROW])
    before = (tmp_path / "corrections.csv").read_bytes()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(Problem, match="disk is full"):
        logbook.add_corrections(tmp_path, [ROW])
    assert (tmp_path / "corrections.csv").read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == [".tankround", "corrections.csv"]


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (
            '[round]\nname = "x"\ndate_order = "iso"   # how\n',
            '[round]\nname = "x"\ndate_order = "day-first"   # how\n',
        ),
        ('[round]\nname = "x"\n', '[round]\ndate_order = "day-first"\nname = "x"\n'),
        ("", '[round]\ndate_order = "day-first"\n'),
    ],
)
def test_how_dates_are_typed_is_kept_and_the_rest_stays(tmp_path: Path, before: str, after: str) -> None:
    (tmp_path / "round.toml").write_text(before)
    logbook.save_columns(tmp_path, {"Weather": ""}, "day-first")
    kept = (tmp_path / "round.toml").read_text()
    assert kept.startswith(after)
    assert tomllib.loads(kept)["columns"] == {"Weather": ""}
