"""corrections.csv: a correction applies while its cell still reads what it read, and every one of them has a state."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from pipeline import weekly
from schemas import Tables
from tests.loads import checked
from tests.store.sameness import tables_of

HEAD = "file,line,column,was,now,by,on,why\n"


DAY = dt.date(2026, 6, 2)


def written(folder: Path, corrections: str, visits: str) -> Path:
    """A folder of one tank, T1, one sheet, visits/x.csv, and its corrections."""
    (folder / "visits").mkdir(exist_ok=True)
    (folder / "sites.csv").write_text("site,name\na,Hall\n")
    (folder / "tanks.csv").write_text("tank,site,name,net_l\nT1,a,Lounge,100\n")
    (folder / "visits" / "x.csv").write_text("date,tank,nitrate,note\n" + visits)
    (folder / "corrections.csv").write_text(HEAD + corrections)
    return folder


ROW = "2026-06-01,T1,{},\n"


def put(was: str, now: str, column: str = "nitrate", line: int = 2) -> str:
    """A row of corrections.csv for the sheet's cell."""
    return f"visits/x.csv,{line},{column},{was},{now},k,2026-06-02,\n"


# Sheets and their corrections, each of a tank of its own: checked together, once, and looked at one by one.
SHEETS: list[tuple[str, str]] = []


def sheet(corrections: str, visits: str) -> int:
    """A sheet like that of `written`, with its corrections; its number."""
    SHEETS.append((corrections, visits))
    return len(SHEETS) - 1


def sheets(*numbers: int) -> pytest.MarkDecorator:
    """Runs a test with the tables of each of these sheets."""
    return pytest.mark.parametrize("tables", numbers, indirect=True)


@pytest.fixture(scope="module")
def together(tmp_path_factory: pytest.TempPathFactory) -> Tables:
    folder = tmp_path_factory.mktemp("together")
    written(folder, "", "")
    tanks = "".join(f"T{n}t,a,Lounge {n},100\n" for n in range(len(SHEETS)))
    (folder / "tanks.csv").write_text("tank,site,name,net_l\n" + tanks)
    corrections = ""
    for n, (rows, visits) in enumerate(SHEETS):
        corrections += rows.replace("x.csv", f"{n}.csv").replace("T1", f"T{n}t")
        (folder / "visits" / f"{n}.csv").write_text("date,tank,nitrate,note\n" + visits.replace("T1", f"T{n}t"))
    (folder / "corrections.csv").write_text(HEAD + corrections)
    return checked(folder, DAY)[0]


@pytest.fixture
def tables(request: pytest.FixtureRequest, together: Tables) -> Tables:
    """What became of one sheet, as if it were alone: its rows, and those of its corrections counted from line 2."""
    n = request.param
    before = sum(rows.count("\n") for rows, _ in SHEETS[:n])
    mine, lines = f"visits/{n}.csv", SHEETS[n][0].count("\n")
    own = pl.col("file") == mine
    asked = (pl.col("file") == "corrections.csv") & pl.col("line").is_between(before + 2, before + 1 + lines)
    found = {}
    for name in ("reading", "visit", "held", "remark", "correction", "account"):
        frame = together[name].filter(own if name == "account" else own | asked)
        texts = pl.selectors.string() - pl.selectors.by_name("sha256", require_all=False)
        frame = frame.with_columns(texts.str.replace_all(f"{n}.csv", "x.csv", literal=True))
        frame = frame.with_columns(texts.str.replace_all(f"T{n}t", "T1", literal=True))
        if "line" in frame.columns:
            moved = pl.when(pl.col("file") == "corrections.csv").then(pl.col("line") - before).otherwise("line")
            frame = frame.with_columns(moved.alias("line"))
        found[name] = frame
    return found


TORN = [
    sheet(f"visits/x.csv,2,,{was},Reject,k,2026-06-02,torn\n", "2026-06-01,T1,7,2,\n")
    for was in ("", '"2026-06-01,T1,7,2,"', '"2026-06-01;T1"')
]


@sheets(*TORN)
def test_a_line_with_too_many_fields_can_be_rejected(tables: Tables) -> None:
    assert tables["held"].height == 0
    assert tables["correction"]["state"].to_list() == ["applied"]
    assert tables["account"].filter(file="visits/x.csv").select("rows_in", "held").row(0) == (1, 1)


REJECTED = 'visits/x.csv,2,,"2026-06-01,T1,7",reject,k,2026-06-02,torn\n'


@sheets(sheet(REJECTED, "2026-06-02,T1,9,2,\n"), sheet(REJECTED, "2026-06-02,T1,9,\n"))
def test_a_row_that_was_rejected_and_reads_otherwise_now_is_kept(tables: Tables) -> None:
    assert tables["correction"]["state"].to_list() == ["stale"]
    assert tables["held"].height + tables["reading"].height == 1


@sheets(sheet(REJECTED, "2026-06-01,T1,7,\n2026-06-01,T1,9,\n"))
def test_a_row_is_rejected_while_it_stands(tables: Tables) -> None:
    assert tables["correction"]["state"].to_list() == ["applied"]
    assert tables["reading"]["text"].to_list() == ["9"]


def texts(tables: Tables) -> list[str]:
    return tables["reading"]["text"].to_list()


def states(tables: Tables) -> list[str]:
    return tables["correction"].sort("line")["state"].to_list()


def account(tables: Tables, file: str) -> dict[str, object]:
    row = tables["account"].filter(pl.col("file") == file).drop("sha256", "family", "file").row(0, named=True)
    return {name: n for name, n in row.items() if n}


@sheets(sheet(put("7..2", "7.2"), ROW.format("7..2")))
def test_a_value_is_used_and_the_account_says_converted(tables: Tables) -> None:
    assert texts(tables) == ["7.2"]
    assert tables["held"].height == 0
    assert states(tables) == ["applied"]
    assert account(tables, "visits/x.csv") == {"rows_in": 1, "converted": 1}
    remark = tables["remark"].filter(pl.col("column") == "nitrate")
    assert remark.select("tank", "text", "says").rows() == [
        ("T1", "7..2", "Put right in corrections.csv: was “7..2”, now 7.2.")
    ]


def test_once_the_cell_reads_otherwise_the_correction_does_nothing_and_is_told(tmp_path: Path) -> None:
    tables, *_ = checked(written(tmp_path, put("7..2", "7.2"), ROW.format("8..2")), DAY)
    assert texts(tables) == []
    assert tables["held"]["text"].to_list() == ["8..2"]
    assert states(tables) == ["stale"]
    told = tables["remark"].filter(pl.col("file") == "corrections.csv")
    assert told.select("line", "column").rows() == [(2, "was")]
    assert "visits/x.csv, line 2, no longer reads like this" in told["says"][0]
    assert account(tables, "corrections.csv") == {"rows_in": 1, "warned": 1}


NOT_THERE = [
    sheet(f"{place},7..2,7.2,k,2026-06-02,\n", ROW.format("7..2"))
    for place in ("visits/gone.csv,2,nitrate", "visits/x.csv,9,nitrate", "visits/x.csv,2,colour")
]


@sheets(*NOT_THERE)
def test_a_correction_of_a_cell_that_is_not_there_is_stale(tables: Tables) -> None:
    assert states(tables) == ["stale"]
    assert tables["held"].height == 1


@sheets(*[sheet(put("05-Oct", word), ROW.format("05-Oct")) for word in ("accept", "Accept", " ACCEPT ")])
def test_accept_takes_the_suggestion(tables: Tables) -> None:
    assert tables["reading"].select("text", "low", "high").rows() == [("5-10", 5.0, 10.0)]
    assert tables["held"].height == 0
    assert states(tables) == ["applied"]
    says = tables["remark"].filter(pl.col("column") == "nitrate")["says"].to_list()
    assert says == ["“05-Oct” read as 5-10, as accepted in corrections.csv."]
    assert account(tables, "visits/x.csv") == {"rows_in": 1, "converted": 1}


@sheets(sheet("", ROW.format("90")), sheet(put("90", "accept"), ROW.format("90")))
def test_accept_answers_a_warning(tables: Tables) -> None:
    answered = tables["correction"].height
    assert tables["remark"].filter(pl.col("outcome") == "warned").height == 1 - answered
    assert texts(tables) == ["90"]


@sheets(sheet(put("ok", "accept"), ROW.format("ok")))
def test_accept_where_nothing_is_suggested_leaves_the_cell_held(tables: Tables) -> None:
    assert tables["held"]["text"].to_list() == ["ok"]
    assert states(tables) == ["not understood"]
    assert "no suggestion to accept" in tables["remark"].filter(pl.col("file") == "corrections.csv")["says"][0]


@sheets(sheet(put("ok", "reject"), "2026-06-01,T1,ok,fed late\n"))
def test_a_rejected_cell_costs_only_itself(tables: Tables) -> None:
    assert texts(tables) == []
    assert tables["held"].height == 0
    assert tables["visit"]["note"].to_list() == ["fed late"]
    assert account(tables, "visits/x.csv") == {"rows_in": 1, "converted": 1}


@sheets(sheet(put("7..2", "7.2") + put("7.2", "72"), ROW.format("7..2")))
def test_a_cell_may_be_put_right_twice(tables: Tables) -> None:
    assert texts(tables) == ["72"]
    assert states(tables) == ["applied", "applied"]


@sheets(sheet(put("7..2", "7.2") + put("7..2", "72"), ROW.format("7..2")))
def test_of_two_corrections_of_one_reading_the_later_counts(tables: Tables) -> None:
    assert texts(tables) == ["72"]
    assert states(tables) == ["stale", "applied"]


TWO = ROW.format("18") + ROW.format("31")


@sheets(sheet("", TWO), sheet(put("31", "reject", line=3), TWO))
def test_of_two_values_the_wrong_one_is_rejected_and_the_other_used(tables: Tables) -> None:
    if not tables["correction"].height:
        assert tables["held"].height == 2
        return
    assert tables["held"].height == 0
    assert texts(tables) == ["18"]
    assert "was “31”, now reject" in tables["remark"].filter(pl.col("line") == 3)["says"][0]


def test_a_cell_of_a_column_that_stands_twice_is_put_right(tmp_path: Path) -> None:
    written(tmp_path, put("18", "31"), "")
    (tmp_path / "visits" / "x.csv").write_text("date,tank,nitrate,nitrate\n2026-06-01,T1,18,31\n")
    tables, *_ = checked(tmp_path, DAY)
    assert texts(tables) == ["31"]
    assert tables["held"].height == 0
    assert states(tables) == ["applied"]


SUMMED = ROW.format("18") + "Total,,18,\n"


@sheets(sheet("", SUMMED), sheet("visits/x.csv,3,,,reject,k,2026-06-02,sum\n", SUMMED))
def test_a_totals_line_is_rejected_and_stays_in_the_account(tables: Tables) -> None:
    if not tables["correction"].height:
        assert tables["held"]["fault"].to_list() == ["totals line"]
        return
    assert tables["held"].height == 0
    assert account(tables, "visits/x.csv") == {"rows_in": 2, "accepted": 1, "held": 1}
    assert states(tables) == ["applied"]


@sheets(sheet("visits/x.csv,two,nitrate,7..2,7.2,k,2026-06-02,\n", ROW.format("7..2")))
def test_a_line_number_nobody_can_read_is_held_and_kept(tables: Tables) -> None:
    assert states(tables) == ["not understood"]
    held = tables["held"].filter(pl.col("file") == "corrections.csv")
    assert held.select("column", "text").rows() == [("of_line", "two")]


def test_the_warehouse_figures_every_correction_and_one_new_sheet_leaves_the_states_of_all_others(
    tmp_path: Path,
) -> None:
    rows = put("7..2", "7.2") + put("old", "7.2", line=3) + "visits/x.csv,two,nitrate,x,y,k,,\n"
    folder = written(tmp_path, rows, ROW.format("7..2"))
    states = [(2, "7..2", "7.2", "k", "applied"), (3, "old", "7.2", "k", "stale"), (4, "x", "y", "k", "not understood")]
    for name in ("", "z.csv"):
        if name:
            (folder / "visits" / name).write_text("date,tank,nitrate\n2026-05-25,T1,18\n")
        weekly.load(folder, today=DAY)
        kept = tables_of(weekly.warehouse_of(folder))["correction"].sort("line")
        assert kept.select("line", "was", "now", "by", "state").rows() == states


@pytest.mark.parametrize(
    ("line", "was", "now", "kind"), [(2, "", "top-up", "top-up"), (3, "top-up", "reject", "change")]
)
def test_a_change_told_again_as_a_top_up_is_settled_either_way(
    tmp_path: Path, line: int, was: str, now: str, kind: str
) -> None:
    written(tmp_path, put(was, now, "change_kind", line), "")
    (tmp_path / "visits" / "x.csv").write_text(
        "date,tank,water_changed,change_kind\n2026-06-01,T1,10 L,\n2026-06-01,T1,10 L,top-up\n"
    )
    tables, *_ = checked(tmp_path, DAY)
    assert tables["held"].height == 0
    assert tables["water_change"]["kind"].to_list() == [kind]
