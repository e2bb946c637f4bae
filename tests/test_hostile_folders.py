"""Ragged, wrong-encoded and hostile log folders: no traceback, no lost row, an account that adds up."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline import weekly
from pipeline.intake.files import read_round
from pipeline.problems import Problem
from pipeline.week import Round
from schemas.words import ROW_OUTCOMES
from tests.hostile_cases import CASES, GOOD, HEAD, Case

TODAY = dt.date(2026, 6, 1)
STANDING = {
    "round.toml": '[round]\nname = "hostile, invented"\n',
    "sites.csv": "site,name,water_supply,visit_day\nhere,Here,well,Monday\n",
    "kits.csv": "kit,parameter,basis,steps\nR,nitrate,NO3,0|4|9|16|27|44\n",
}


@dataclass(frozen=True)
class Loaded:
    """What a load left behind."""

    account: dict[str, Any]
    tables: dict[str, pl.DataFrame]

    def file(self, name: str) -> dict[str, Any]:
        return next((f for f in self.account["files"] if f["file"] == name), {})


def tank_of(number: int) -> str:
    return f"T{number:03d}"


def write(folder: Path, files: dict[str, str | bytes]) -> Path:
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return folder


def load(folder: Path) -> Loaded:
    """Load, check that every account adds up, and read the tables back."""
    result = weekly.load(folder, today=TODAY)
    assert result.tables is not None
    for told in (result.account, *result.account["files"]):
        assert told["rows_in"] == sum(told[name] for name in ROW_OUTCOMES), told
    for name in ("rows_in", *ROW_OUTCOMES):
        assert result.account[name] == sum(f[name] for f in result.account["files"]), name
    return Loaded(dict(result.account), dict(result.tables))


@pytest.fixture(scope="module")
def crowd(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    """All cases in one folder, each with a tank of its own, beside one sheet that nothing is wrong with."""
    folder = tmp_path_factory.mktemp("crowd")
    tanks = "tank,site,net_l,set_up\n" + "".join(f"{tank_of(i)},here,200,2024-01-01\n" for i in range(len(CASES)))
    visits = {f"visits/{case.name}.csv": case.data(tank_of(i)) for i, case in enumerate(CASES)}
    return load(write(folder, STANDING | {"tanks.csv": tanks} | visits))


def line_of(data: bytes, mark: str) -> int:
    """The physical line a mark stands on; 0 where the bytes do not read as UTF-8."""
    before, found, _ = data.decode("utf-8", "replace").partition(f"{mark}")
    return before.count("\n") + 1 if found else 0


@pytest.mark.parametrize(("number", "case"), list(enumerate(CASES)), ids=[case.name for case in CASES])
def test_no_row_of_a_hostile_sheet_is_lost(crowd: Loaded, number: int, case: Case) -> None:
    """Each row's mark is in a visit that was kept, in a held text, or its line (or its whole file) is held."""
    file = f"visits/{case.name}.csv"
    told = crowd.file(file)
    assert told, "the file is not in the account"
    notes = "\n".join(crowd.tables["visit"].filter(pl.col("file") == file)["note"].drop_nulls())
    held = crowd.tables["held"].filter(pl.col("file") == file)
    for n in case.marks:
        mark = f"mark-{tank_of(number)}-{n}"
        on_its_line = held.filter(pl.col("line").is_in([0, line_of(case.data(tank_of(number)), mark)]))
        in_a_text = held.filter(pl.col("text").str.contains(mark, literal=True))
        assert mark in notes or on_its_line.height or in_a_text.height, f"{mark} is neither kept nor held"
        if n in case.kept:
            assert mark in notes, f"{mark} is held, but only a cell of its row is bad"
    if case.rows is not None:
        assert told["rows_in"] == case.rows


def test_every_held_item_says_why_in_a_sentence(crowd: Loaded) -> None:
    held = crowd.tables["held"]
    assert held.height > 50
    assert held.filter(pl.col("reason").str.len_chars() < 12).height == 0
    ours = held.with_columns(pl.col("reason").str.replace_all("“[^”]*”", "…"))  # without what was typed
    assert ours.filter(pl.col("reason").str.contains(r"Traceback|Error\(|None|\bnan\b")).height == 0


def test_no_number_that_was_kept_is_endless_or_not_a_number(crowd: Loaded) -> None:
    for name in ("reading", "water_change"):
        frame = crowd.tables[name]
        for column in (c for c, kind in frame.schema.items() if kind.is_float()):
            wrong = frame.filter(pl.col(column).is_not_null() & ~pl.col(column).is_finite())
            assert wrong.height == 0, (name, column, wrong)


# -- standing records that are hostile ------------------------------------------------------------------
GOOD_TANKS = "tank,site,net_l,set_up\nT001,here,200,2024-01-01\n"
SHEET = (HEAD + GOOD).replace("K", "T001")
BASE: dict[str, str | bytes] = STANDING | {"tanks.csv": GOOD_TANKS, "visits/a.csv": SHEET}
# Every standing record hostile at once; T001 and its sheet are as they should be.
EVERYTHING: dict[str, str | bytes] = BASE | {
    "tanks.csv": "tank,site,name,also_known_as,gross_l,net_l\nT001,here,,,,200\nT002,here,,,100,1e308\n"
    "T003,here,,,-5,0\nT004,here,,,nan,inf\n,here,,,1,1\nT005,here,Big,T006|big,,\nT006,here,Big,|||,,\n",
    "kits.csv": "kit,parameter,basis,steps\nR,nitrate,NO3,0|4|9|16|27|44\nA,nitrate,NO3,a|b\nB,nitrate,NO3,5|3|1\n"
    "C,nitrate,NO3,0|0|0\nD,nitrate,XX,0|4\nE,colour,NO3,0|4\nF,nitrate,NO3,|||\nG,nitrate,NO3,-1|nan|inf\n"
    "H,nitrate,NO3,7\n",
    "filters.csv": "filter,model\nF,no such model\nF,again\n",
    "placements.csv": "filter,tank,from,to\nF,T001,2026-01-01,\nF,T002,2026-01-01,\nG,T001,2026-05-01,2026-01-01\n",
    "fills.csv": "filter,compartment,layer,medium,mass_kg,from\nF,cup,1,no such,nan,2026-01-01\nF,cup,0,,1e9,\n",
    "compartments.csv": "model,position,compartment\nloop,0,x\nloop,-1,x\nloop,1e9,x\n",
    "media.csv": "medium,stage,quality\nm,biological,7\nm,nowhere,-1\n",
    "corrections.csv": "file,line,column,was,now\n../../etc/passwd,1,x,y,z\nvisits/a.csv,-1,ph,7.3,7.4\n"
    "visits/a.csv,9999999999999999999,ph,7.3,7.4\nvisits/a.csv,2,no such,7.3,7.4\nvisits/a.csv,2,ph,7.3,=1+1\n"
    "corrections.csv,2,now,z,accept\nvisits/a.csv,3,,,reject\n",
    "feeding.csv": "tank,from,feed_g_day,protein_pct\nT001,2024-01-01,1e9,45\nT001,2024-01-01,1,450\nT009,x,y,z\n",
    "services/a.csv": "date,tank,filter,job,media_share\n2026-05-01,T001,none,dance,7\n2099-01-01,T001,,check,\n",
    "events/a.csv": "date,tank,event,count\n2026-05-01,T001,storm,1\n2026-05-01,T777,fish in,-3\n",
    "promises.csv": "made_on,site,promise\n2026-05-01,nowhere,\n",
    "noted.csv": "tank,rule,until\nT001,=1+1,2026-13-01\n",
    "tap.csv": "water_supply,date,nitrate\nwell,2026-05-01,1e999\n,2026-05-01,4\n",
    "visits/notes.txt": "mine",
    "visits/~$a.csv": "x",
    "visits/.hidden.csv": SHEET,
    "visits/SHOUT.CSV": SHEET.replace("mark", "loud"),
    "elsewhere.csv": "a,b\n1,2\n",
    "deep/er/visits/b.csv": SHEET,
    "visits/na\nme.csv": SHEET,
    "visits/'; drop table reading; --.csv": SHEET,
    ".tankround/warehouse.duckdb.wal": b"\0" * 100,  # a stale log beside the warehouse
}
FOLDERS: dict[str, dict[str, str | bytes]] = {
    "nothing": {},
    "only visits": {"visits/a.csv": SHEET},
    "round.toml of wrong kinds": BASE
    | {"round.toml": "round = 7\nunits = []\nfigures = 'x'\nprices = 3\nvan = true\ndosing = [1]\n"},
    "round.toml of wrong values": BASE
    | {
        "round.toml": "[round]\nname = 7\ndate_order = 'backwards'\nvisit_every_days = -3\n[units]\ngallon = 'wine'\n"
        "[assumptions]\nlitres_per_kg = nan\nno_such = 1\n[van]\npayload_kg = 'heavy'\n"
    },
    "no tanks": BASE | {"tanks.csv": "tank,site,net_l\n"},
    "tanks without a site": BASE | {"sites.csv": "site,name\n"},
    "a tank twice": BASE | {"tanks.csv": GOOD_TANKS + "T001,here,300,2024-01-01\n"},
    "everything": EVERYTHING,
}


@pytest.mark.parametrize("name", FOLDERS)
def test_a_hostile_folder_loads_twice_alike(tmp_path: Path, name: str) -> None:
    folder = write(tmp_path, FOLDERS[name])
    first = load(folder)
    again = weekly.load(folder, today=TODAY)
    assert not again.new
    assert again.account == first.account
    if name == "everything":  # what is hostile beside the others costs them nothing
        assert first.tables["visit"].filter(pl.col("file") == "visits/a.csv").height >= 1
        assert "T001" in first.tables["tank"]["tank"].to_list()


@pytest.mark.parametrize("content", [None, "", "[round\nname = = 7", b"\xff\xfe\x00\x01\x81"])
def test_a_round_toml_that_says_nothing_or_cannot_be_read_is_as_none(
    tmp_path: Path, content: str | bytes | None
) -> None:
    found = read_round(write(tmp_path, {} if content is None else {"round.toml": content}))
    assert bool(found.problems) == bool(content)
    assert replace(found, problems=()) == replace(Round(), problems=())


def test_what_is_wrong_with_round_toml_is_said(tmp_path: Path) -> None:
    said = " ".join(read_round(write(tmp_path, FOLDERS["round.toml of wrong values"])).problems)
    for word in ("backwards", "wine", "no_such", "litres_per_kg", "visit_every_days"):
        assert word in said, word


def test_a_folder_that_is_not_there_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(Problem, match="nowhere"):
        weekly.load(tmp_path / "nowhere", today=TODAY)
    (tmp_path / "a-file").write_text("x")
    with pytest.raises(Problem, match="a-file"):
        weekly.load(tmp_path / "a-file", today=TODAY)


# -- things in a folder that are no plain files ---------------------------------------------------------
@pytest.fixture
def odd(tmp_path: Path) -> Iterator[Path]:
    """A folder with loops, dead ends and things that would never stop being read."""
    folder = write(tmp_path / "odd", BASE)
    visits = folder / "visits"
    (visits / "loop").symlink_to(folder, target_is_directory=True)
    (visits / "self.csv").symlink_to("self.csv")
    (visits / "gone.csv").symlink_to("no such file")
    (visits / "folder.csv").mkdir()
    os.mkfifo(visits / "pipe.csv")
    (visits / "endless.csv").symlink_to("/dev/zero")
    (folder / "media.csv").mkdir()
    (folder / "tap.csv").symlink_to(folder / "services.csv")
    yield folder
    os.remove(visits / "pipe.csv")


def test_loops_pipes_and_endless_files_are_told_not_followed_and_a_name_may_be_no_text(odd: Path) -> None:
    with open(os.fsencode(odd / "visits") + b"/\xff\xfe.csv", "wb") as raw:
        raw.write(SHEET.replace("mark", "byte").encode())
    loaded = load(odd)
    assert loaded.file("visits/a.csv")["accepted"] == 3
    assert loaded.account["rows_in"] >= 6
    assert loaded.tables["visit"].filter(pl.col("file") == "visits/a.csv").height == 3
