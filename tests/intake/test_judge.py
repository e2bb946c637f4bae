"""The models decide: what breaks a rule is held or marked with file, line, column and sentence; the account adds up."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from pipeline.assumptions import built_in
from pipeline.intake.check import check
from pipeline.intake.columns import Context
from pipeline.intake.files import find_files, read_round
from pipeline.intake.judge import BadTable, Judged, judge
from pipeline.intake.sheets import read_sheets
from pipeline.week import Round
from schemas import Tables, columns_of, conform
from schemas.tables import TABLES
from schemas.visits import PlacedRow, TypedReading
from schemas.words import ROW_OUTCOMES
from tests.small_folder import TODAY, write_folder

CONTEXT = Context(Round(), built_in(), TODAY)
FIRST = dt.date(2026, 1, 5)
LONG_AGO, FAR = dt.date(1903, 1, 1), dt.date(9999, 12, 31)
BOX = {"shape": "box", "length_mm": 100.0, "width_mm": 100.0, "depth_mm": 100.0, "usable_share": 1.0}


def model_of(name: str) -> type:
    return {"placed_row": PlacedRow, "typed_reading": TypedReading}.get(name) or TABLES[name]


def judged_row(name: str, **cells: object) -> Judged:
    """What is made of a row that has a sound key and these cells."""
    keys = {"file": "f.csv", "line": 2, **KEYS.get(name, {})}
    types = columns_of(model_of(name))
    row = {column: {**keys, **cells}.get(column) for column in types}
    schema = {**types, "file": pl.String, "line": pl.Int64}
    return judge(model_of(name), pl.DataFrame([{**row, "file": "f.csv", "line": 2}], schema=schema), CONTEXT)


def verdict(name: str, **cells: object) -> dict[str, tuple[str, str]]:
    """column -> (outcome, fault) of such a row."""
    issues = judged_row(name, **cells).issues.select("column", "outcome", "fault")
    return {column: (outcome, fault) for column, outcome, fault in issues.rows()}


KEYS: dict[str, dict[str, object]] = {
    "tank": {"tank": "T1", "site": "S1"},
    "medium": {"medium": "m"},
    "compartment": {"model": "M", "position": 1, "compartment": "cup"},
    "fill": {"filter": "F1", "compartment": "cup", "medium": "m", "from": FIRST},
    "placement": {"filter": "F1", "tank": "T1", "from": FIRST},
    "service": {"date": FIRST, "job": "check"},
    "event": {"date": FIRST, "tank": "T1", "event": "fish in"},
    "placed_row": {"day": FIRST},
    "typed_reading": {"text": "?", "low": 0.0, "high": 0.0},
    "water_change": {"tank": "T1", "day": FIRST, "at": dt.datetime(2026, 1, 5), "kind": "change", "ro_share": 0.0,
                     "guessed": False, "text": "?", "outcome": "accepted", "litres": 10.0},
}  # fmt: skip
HELD, WARNED = "held", "warned"
# table, cells that break the rule, cells beside its limit that do not, column, outcome, fault
RULES = [
    ("tank", {"net_l": 101.0, "gross_l": 100.0}, {"net_l": 100.0, "gross_l": 100.0}, "net_l", HELD, "limit"),
    ("tank", {"net_l": 0.0}, {"net_l": 0.5}, "net_l", HELD, "limit"),
    ("tank", {"planting": "jungle"}, {"planting": "dense"}, "planting", HELD, "word not known"),
    ("tank", {"closed": FIRST, "set_up": TODAY}, {"closed": TODAY, "set_up": TODAY}, "closed", HELD, "limit"),
    ("tank", {"set_up": LONG_AGO}, {"set_up": dt.date(1990, 1, 1)}, "set_up", HELD, "out of reach"),
    ("tank", {"closed": FAR}, {"closed": dt.date(TODAY.year + 30, 12, 31)}, "closed", HELD, "out of reach"),
    ("medium", {"bulk_kg_l": 1.9}, {"bulk_kg_l": 0.5}, "bulk_kg_l", HELD, "limit"),
    ("medium", {"bulk_kg_l": 1.0}, {"bulk_kg_l": 0.99}, "bulk_kg_l", WARNED, "limit"),
    ("medium", {"quality": 1.1}, {"quality": 1.0}, "quality", HELD, "limit"),
    ("compartment", {**BOX, "usable_l": 2.0}, {**BOX, "usable_l": 1.0}, "usable_l", WARNED, "limit"),
    ("compartment", {"usable_l": 1.0, "loose_kg": 2.0}, {"usable_l": 1.0, "loose_kg": 0.5}, "loose_kg", WARNED, "weighed wet"),
    ("fill", {"mass_kg": 51.0}, {"mass_kg": 50.0}, "mass_kg", HELD, "limit"),
    ("fill", {"to": dt.date(2026, 1, 4)}, {"to": FIRST}, "to", HELD, "limit"),
    ("placement", {"to": dt.date(2026, 1, 4)}, {"to": FIRST}, "to", HELD, "limit"),
    ("service", {"date": TODAY + dt.timedelta(1)}, {"date": TODAY}, "date", HELD, "future"),
    ("service", {"media_share": 0.5}, {"media_share": 0.33}, "media_share", WARNED, "limit"),
    ("service", {"rinse_water": "tap"}, {"rinse_water": "tank"}, "rinse_water", WARNED, "limit"),
    ("service", {"next_weeks": 500000.0}, {"next_weeks": 4.0}, "next_weeks", HELD, "out of reach"),
    ("service", {"next_weeks": 200.0}, {"next_weeks": 4.0}, "next_weeks", WARNED, "limit"),
    ("event", {"date": TODAY + dt.timedelta(1)}, {"date": TODAY}, "date", HELD, "future"),
    ("placed_row", {"day": TODAY + dt.timedelta(1)}, {"day": TODAY}, "day", HELD, "future"),
    ("placed_row", {"set_up": TODAY}, {"set_up": FIRST}, "day", HELD, "before set up"),
    ("placed_row", {"closed": dt.date(2026, 1, 4)}, {"closed": FIRST}, "day", HELD, "after closing"),
    ("typed_reading", {"parameter": "ph", "matched": 10.1}, {"parameter": "ph", "matched": 10.0}, "text", HELD, "beyond limits"),
    ("typed_reading", {"parameter": "ph", "matched": 3.9}, {"parameter": "ph", "matched": 4.0}, "text", HELD, "beyond limits"),
    ("typed_reading", {"parameter": "nitrate", "matched": 251.0}, {"parameter": "nitrate", "matched": 250.0}, "text", HELD, "beyond limits"),
    ("water_change", {"fraction": 1.1}, {"fraction": 0.5}, "water_changed", HELD, "more than the tank"),
    ("water_change", {"fraction": 0.6}, {"fraction": 0.5}, "water_changed", WARNED, "large change"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "wrong", "right", "column", "outcome", "fault"), RULES, ids=lambda v: str(v)[:30])
def test_a_rule_speaks_on_one_side_of_its_limit_only(
    name: str, wrong: dict[str, object], right: dict[str, object], column: str, outcome: str, fault: str
) -> None:
    assert verdict(name, **wrong).get(column) == (outcome, fault)
    assert column not in verdict(name, **right)
    assert verdict(name, **dict.fromkeys(wrong)).get(column, ("", "key missing"))[1] == "key missing", (
        "a null is not judged"
    )


@pytest.mark.parametrize(
    ("name", "cells", "column", "good", "suggestion"),
    [
        ("water_change", {"fraction": 0.6}, "fraction", [0.6], None),  # warned: used as it is
        ("tank", {"net_l": 0.0, "gross_l": 9.0}, "net_l", [None], None),  # held: the cell is not used
        ("tank", {"planting": "dens"}, "planting", [None], "dense"),
        ("event", {"date": TODAY + dt.timedelta(1)}, "date", [], None),  # held, and no row goes without it
        ("typed_reading", {"parameter": "ph", "matched": 72.0, "text": "72"}, "text", [], "7.2"),
    ],
)
def test_what_is_used_of_a_row_and_what_is_offered(
    name: str, cells: dict[str, object], column: str, good: list[object], suggestion: str | None
) -> None:
    judged = judged_row(name, **cells)
    assert judged.good[column].to_list() == good
    assert judged.held.rows() == ([] if good else [("f.csv", 2)])
    assert judged.issues["suggestion"].to_list() == [suggestion]


def checked(folder: Path) -> Tables:
    files = find_files(folder, 64)
    return check(read_sheets(folder, files), read_round(folder), built_in(), TODAY)


def test_a_held_cell_leaves_the_rest_of_its_row(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "logs", weeks=2)
    (folder / "tanks.csv").write_text(
        "tank,site,name,net_l,planting\nT1,S1,Lounge,0,jungle\nT2,S1,Porch,120,none\nT3,S2,L,90,\n"
    )
    tables = checked(folder)
    assert tables["tank"].select("tank", "net_l", "planting").rows()[0] == ("T1", None, None)
    held = tables["held"].filter(file="tanks.csv").select("column", "text", "reason", "tank").rows()
    assert held == [
        ("net_l", "0", "Net volume “0” is outside what is accepted; expected more than 0 L.", None),
        ("planting", "jungle", "Planting “jungle” is not known; expected none, light, moderate, dense.", None),
    ]
    account = tables["account"]
    assert (account["rows_in"] == account.select(pl.sum_horizontal(ROW_OUTCOMES)).to_series()).all()


def test_rows_that_are_as_described_pass_unchanged(tmp_path: Path) -> None:
    tables = checked(write_folder(tmp_path / "logs", weeks=4))
    for name in ("tank", "visit", "water_change", "kit", "fill"):
        judged = judge(TABLES[name], tables[name], CONTEXT)
        assert judged.good.equals(tables[name])
        assert judged.issues.height == judged.held.height == 0


def test_a_table_of_the_wrong_shape_is_our_fault_and_said_so() -> None:
    frame = conform("site", pl.DataFrame({"file": ["s"], "line": [2], "site": ["a"], "name": ["b"]}))
    with pytest.raises(BadTable):
        judge(TABLES["site"], frame.with_columns(pl.col("line").cast(pl.String)), CONTEXT)
