"""`tankround new --from` and `columns`: from one spreadsheet to a folder that a review can be made of."""

from __future__ import annotations

import datetime as dt
import json
import tomllib
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from pipeline import from_sheet
from pipeline.assumptions import built_in
from pipeline.from_sheet import make_from
from pipeline.intake.check import check
from pipeline.intake.files import find_files, read_round
from pipeline.intake.sheets import read_sheets
from pipeline.new_folder import column_notes, families_named, make_folder
from pipeline.problems import Problem
from schemas import FAMILIES, Tables
from tests.commands import run_command
from tests.spreadsheets import ods, xlsx

DAYS = [dt.date(2026, 5, 4) + dt.timedelta(7 * week) for week in range(3)]


def made(tmp_path: Path, name: str, content: bytes | str) -> tuple[str, Tables, Path]:
    """The folder of a spreadsheet: what was told, its checked tables, where it is."""
    source, folder = tmp_path / name, tmp_path / "logs"
    source.write_bytes(content if isinstance(content, bytes) else content.encode())
    told = "\n".join(make_from(folder, source)).replace("\u00a0", " ")
    round_ = read_round(folder)
    assert round_.problems == ()
    sheets = read_sheets(folder, find_files(folder), own=round_.columns)
    return told, check(sheets, round_, built_in(), dt.date(2026, 6, 1)), folder


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_forty_tanks_in_one_sheet_with_own_headers(tmp_path: Path, kind: str) -> None:
    head = ["Visit date", "Customer", "Aquarium", "Acidity", "NO3 (ppm)", "Water change", "Litres", "Weather"]
    grid: list[list[object]] = [["Everything, invented"], head]
    grid += [[d, f"Home {t // 4}", f"Tank {t}", 7.2, 20, 0.25, 100 + t, "wet"] for d in DAYS for t in range(40)]
    book = xlsx({"Sheet1": grid}) if kind == "xlsx" else ods({"Sheet1": grid})
    told, tables, _ = made(tmp_path, f"round.{kind}", book)
    assert "40 tanks at 10 sites, 120 visits" in told
    assert "“Acidity” is ph" in told
    assert "Not used: “Weather”" in told
    assert tables["held"].height == tables["unknown_column"].height == 0
    assert tables["reading"].group_by("parameter").len().sort("parameter").rows() == [("nitrate", 120), ("ph", 120)]
    assert tables["water_change"]["fraction"].unique().to_list() == [0.25]
    assert tables["tank"].filter(name="Tank 39")["gross_l"].to_list() == [139]


def test_a_workbook_with_a_sheet_a_tank_and_a_list_of_tanks(tmp_path: Path) -> None:
    visits = [["Date", "pH", "NO3"], *([day, 7.2, 20] for day in DAYS)]
    tanks = [["Name", "Location", "Size (l)"], ["Hall", "Fernholt", 240], ["Den", "Mosswick", 120], ["Attic", "", None]]
    book = xlsx({"Hall": visits, "Den": visits, "Tanks": tanks, "Jobs": [["buy wool"]]})
    told, tables, folder = made(tmp_path, "round.xlsx", book)
    assert "3 tanks at 3 sites, 6 visits" in told
    assert "1 tank without litres" in told
    assert "Not used: round.xlsx, sheet Jobs" in told
    assert tables["tank"].select("name", "gross_l").rows() == [("Hall", 240), ("Den", 120), ("Attic", None)]
    assert tables["visit"].group_by("tank").len()["len"].to_list() == [3, 3]
    assert sorted(path.name for path in (folder / "visits").iterdir()) == ["Den.csv", "Hall.csv"]


def test_a_file_a_tank_with_semicolons(tmp_path: Path) -> None:
    text = "Day;pH;NO3;Change\n14.05.2026;7,2;20;30%\n21.05.2026;7,4;25;none\n"
    told, tables, folder = made(tmp_path, "lounge.csv", text)
    assert "1 tank at 1 site, 2 visits" in told
    assert "Dates are read day-first" in told
    assert tables["tank"].select("tank", "name").rows() == [("T01", "lounge")]
    assert tables["reading"].filter(parameter="ph")["matched"].to_list() == [7.2, 7.4]
    settings = tomllib.loads((folder / "round.toml").read_text())
    assert settings["round"]["date_order"] == "day-first"


def test_dates_of_two_readings_are_not_guessed(tmp_path: Path) -> None:
    told, tables, _ = made(tmp_path, "a.csv", "date,tank,pH\n03/04/2026,A1,7\n")
    assert "can be read in two ways" in told
    assert tables["held"]["column"].to_list() == ["date"]
    assert tables["tank"]["tank"].to_list() == ["A1"], "names that are ids are kept as ids"


def test_odd_names_go_into_the_settings_whole(tmp_path: Path) -> None:
    _, tables, folder = made(tmp_path, "a.csv", 'Day,Tank,pH,"say ""hi"" \\n"\n2026-05-04,Hall,7,x\n')
    assert read_round(folder).columns['say "hi" \\n'] == ""
    assert isinstance(tables["unknown_column"], pl.DataFrame)


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("a.doc", b"x", "expected a file ending in .csv, .xlsx and .ods"),
        ("a.xlsx", b"x", "no workbook that can be read"),
        ("a.csv", b"", "It is empty"),
        ("a.csv", b"buy,wool\n1,2\n", "no line at its top names a known column"),
        ("a.csv", b"date,weather\n2026-05-04,wet\n", "no columns for a date, a tank and readings"),
    ],
)
def test_what_is_no_round_is_a_sentence_and_nothing_is_written(
    tmp_path: Path, name: str, content: bytes, says: str
) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(Problem, match=says):
        make_from(tmp_path / "logs", tmp_path / name)
    assert not (tmp_path / "logs").exists()


def test_every_column_is_explained_once_and_templates_are_of_this_month(tmp_path: Path) -> None:
    names = [path.relative_to(tmp_path / "logs").as_posix() for path in make_folder(tmp_path / "logs")]
    assert f"visits/{dt.date.today():%Y-%m}.csv" in names
    page = (tmp_path / "logs" / "COLUMNS.md").read_text()
    for family in FAMILIES:
        assert f"## {family.pattern}" in page
        for one in column_notes(family):
            assert f"- `{one['column']}` {one['title']}" in page
    assert families_named("Visits") == families_named("visit") == families_named("visits/*.csv")


def test_columns_are_printed_as_text_and_json() -> None:
    code, out, _ = run_command("columns", "events")
    assert (code, "one of fish in, fish out" in out) == (0, True)
    told = json.loads(run_command("columns", "visits", "--json")[1])["visits/*.csv"]
    nitrate = next(one for one in told if one["column"] == "nitrate")
    assert (nitrate["unit"], nitrate["needed"]) == ("mg/L NO3", False)
    code, _, error = run_command("columns", "weather")
    assert (code, "“weather” is no kind of record; expected one of sites" in error) == (1, True)


def test_a_folder_with_a_file_a_tank(tmp_path: Path) -> None:
    source = tmp_path / "mine"
    source.mkdir()
    for name in ("Nook 1", "Nook 2"):
        (source / f"{name}.csv").write_text("Visit date;Acidity;NO3 (ppm);WC %\n25/05/2026;7,1;10,5;20\n")
    (source / "photo.jpg").write_bytes(b"x")
    told = "\n".join(make_from(tmp_path / "logs", source)).replace("\xa0", " ")
    assert "2 tanks at 1 site, 2 visits" in told
    assert "Not used: photo.jpg: no spreadsheet." in told
    assert sorted(path.name for path in (tmp_path / "logs" / "visits").glob("Nook*")) == ["Nook-1.csv", "Nook-2.csv"]
    (source / "Nook 1.csv").unlink()
    (source / "Nook 2.csv").unlink()
    with pytest.raises(Problem, match="or a folder of such files"):
        make_from(tmp_path / "others", source)


def merged_book(tmp_path: Path) -> Path:
    """A diary with a title merged across, a site merged down over its rows, dates as text and decimal commas."""
    book = xlsxwriter.Workbook(tmp_path / "diary.xlsx")
    sheet = book.add_worksheet("2026")
    sheet.merge_range(0, 0, 0, 5, "Tank diary 2026, invented")
    sheet.write_row(2, 0, ["Place", "Tank name", "Day", "pH value", "Nitrate mg/l", "Exchanged (L)"])
    row = 3
    for site in ("Fernholt", "Mosswick"):
        sheet.merge_range(row, 0, row + 3, 0, site)
        for tank in ("Hall", "Den"):
            for day in ("4 May 2026", "11 May 2026"):
                sheet.write_row(row, 1, [tank, day, "7,2", "12,5", "30 L"])
                row += 1
    book.close()
    return tmp_path / "diary.xlsx"


def test_a_merged_site_cell_stands_in_each_of_its_rows(tmp_path: Path) -> None:
    told, tables, _ = made(tmp_path, "d.xlsx", merged_book(tmp_path).read_bytes())
    assert "4 tanks at 2 sites, 8 visits" in told
    assert tables["held"].height == 0
    assert tables["site"]["name"].to_list() == ["Fernholt", "Mosswick"]
    assert tables["reading"].filter(parameter="nitrate")["matched"].unique().to_list() == [12.5]
    assert tables["reading"]["day"].unique().sort().to_list() == DAYS[:2]


def test_a_site_written_once_above_its_rows_units_and_sums(tmp_path: Path) -> None:
    """Blanks below a name are read as it, and told; dates with their day of the week settle which is the month."""
    text = (
        "Water tests;;;;\n;;;;\nClient;Aquarium;Date of visit;NO3;% changed\n;;;mg/l;%\n"
        "Alderbrew;Front;Mon 04.05.26;10,5;25\n;;Mon 11.05.26;20-40;25\n;Back;Mon 04.05.26;<5;20\nTotal;;;;\n"
        "Quillmoss;Lobby;Mon 11.05.26;8;30\n"
    )
    told, tables, _ = made(tmp_path, "log.csv", text)
    assert "3 tanks at 2 sites, 4 visits" in told
    assert "“Client” stands once above its rows in log.csv" in told
    assert "Not used: 2 rows of log.csv without a date." in told
    assert tables["held"].height == 0
    assert tables["visit"]["day"].sort().to_list() == [DAYS[0], DAYS[0], DAYS[1], DAYS[1]]
    assert tables["water_change"]["fraction"].sort().to_list() == [0.2, 0.25, 0.25, 0.3]


def test_a_blank_in_a_column_that_names_its_tank_in_every_row_is_not_filled(tmp_path: Path) -> None:
    told, tables, _ = made(tmp_path, "a.csv", "Day,Tank,pH\n2026-05-04,Hall,7\n2026-05-11,Hall,7\n2026-05-18,,7\n")
    assert "stands once" not in told
    assert tables["held"]["reason"].to_list() == ["The row names no tank; expected one. The row is on hold."]


def test_a_column_that_nobody_guesses_is_chosen_by_a_person() -> None:
    tables = [("round.csv", b"When seen,Which one,NO3\n2026-05-31,Blue corner,12\n"), ("broken.csv", b"\x00\x01")]
    guessed = {one.header: one.column for one in from_sheet.guessed(tables)}
    assert guessed == {"When seen": "date", "Which one": "", "NO3": "nitrate"}
    assert "Blue corner" not in from_sheet.made_of("it", tables).files["tanks.csv"]  # the file's name is the tank's
    chosen = from_sheet.made_of("it", tables, chosen={"Which one": "tank"})
    assert "Blue corner" in chosen.files["tanks.csv"]
    assert chosen.columns["Which one"] == "tank"
