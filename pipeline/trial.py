"""What would become of a cell, a correction or a file, before anything is kept: the intake itself, run in memory. The
folder is read once (`read_folder`) and handed on; nothing here writes."""

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.assumptions import Assumptions, with_overrides
from pipeline.console import account_dict
from pipeline.intake import corrections
from pipeline.intake.amounts import KitRow, read_change
from pipeline.intake.check import check
from pipeline.intake.columns import Context, fold_name, read_dates
from pipeline.intake.files import BOOK, TABLES, LogFile, family_of, find_files, read_round
from pipeline.intake.headers import FAMILY, fold, guess, known_names, read_header, required
from pipeline.intake.readings import kits_of, read_one
from pipeline.intake.sheets import Sheets, joined, read_sheets, text_columns
from pipeline.intake.structure import NoTable, by_record, read_table, sheets_of
from pipeline.week import Round, Week
from pipeline.wording import counted, interval, number, per_cent, with_unit
from pipeline.wording import day as written_day
from schemas import Tables
from schemas.words import CANON, PARAMETER_TITLES, PARAMETERS

KEY = ["file", "line", "column"]
HELD = [*KEY, "text", "reason", "suggestion", "tank"]
REMARK = [*KEY, "text", "outcome", "says", "tank"]
VISIT_COLUMNS = tuple(text_columns("visit"))
TYPED_AT = 10**9  # the line of a correction on trial: after every line that is there

Row = dict[str, Any]


@dataclass(frozen=True)
class Folder:
    """A log folder as it reads now, before its corrections are applied."""

    path: Path
    round: Round
    assumed: Assumptions
    today: dt.date
    sheets: Sheets


@dataclass(frozen=True)
class Answer:
    """What a cell, or a correction, would come to: whether it can be used, and a sentence."""

    good: bool
    says: str


@dataclass(frozen=True)
class Account:
    """What would become of new files: their account, what of them is held or remarked, what else would then be held."""

    account: dict[str, Any]
    held: list[Row]
    remarks: list[Row]
    elsewhere: list[Row]
    becomes: list[Row]


def stamp(folder: Path) -> str:
    """Changes whenever a table or the settings of the folder are added, changed or taken away."""
    entries = sorted(
        (str(path), entry.st_mtime_ns, entry.st_size)
        for path in [*(p for kind in TABLES for p in folder.rglob(f"*{kind}")), folder / "round.toml"]
        if path.is_file()
        for entry in [path.stat()]
    )
    return hashlib.sha256(repr(entries).encode("utf-8", "surrogateescape")).hexdigest()


def read_folder(folder: Path, today: dt.date | None = None) -> Folder:
    round_ = read_round(folder)
    assumed, _ = with_overrides(round_.overrides)
    files = find_files(folder, assumed["file_limit_mb"], assumed["folder_limit_mb"])
    sheets = read_sheets(folder, files, most_columns=assumed["columns_limit"], own=round_.columns)
    return Folder(folder, round_, assumed, today or dt.date.today(), sheets)


def files(folder: Folder, held: pl.DataFrame, new: Mapping[str, bytes]) -> Account:
    """What would become of new files (path in the folder -> bytes). `held` is what is held without them."""
    limit = folder.assumed["file_limit_mb"]
    large = f"it is larger than {limit:g} MB; split it into several files"
    found = [
        LogFile(
            path, family_of(path), hashlib.sha256(raw).hexdigest(), len(raw), large if len(raw) > limit * 1e6 else ""
        )
        for path, raw in new.items()
    ]
    more = read_sheets(folder.path, found, new, folder.assumed["columns_limit"], folder.round.columns)
    tables = check(joined([folder.sheets, more]), folder.round, folder.assumed, folder.today)
    mine = pl.col("file").is_in(more.files["file"].implode())
    others = tables["held"].filter(~mine).join(held.select(KEY), on=KEY, how="anti", nulls_equal=True)
    return Account(
        account_dict(tables["account"].filter(mine), tables["unknown_column"].filter(mine)),
        tables["held"].filter(mine).select(HELD).to_dicts(),
        tables["remark"].filter(mine & (pl.col("line") > 0)).select(REMARK).to_dicts(),
        others.select(HELD).to_dicts(),
        _becomes(tables, mine),
    )


@dataclass(frozen=True)
class Asked:
    """A column of a new file that is not known: what it may be, blank for none, and what stands in it."""

    header: str
    column: str
    shows: tuple[str, ...]


def unknown_columns(folder: Folder, new: Mapping[str, bytes]) -> list[Asked]:
    """The columns of new visits files that a person must name, with a guess each; a file that can't be read has none."""
    own = tuple((fold(name), column) for name, column in folder.round.columns.items())
    found: dict[str, Asked] = {}
    for path, raw in new.items():
        try:
            is_book = BOOK.fullmatch(path) is not None
            tables = [content for _, content in sheets_of(raw)] if is_book else [] if by_record(raw) else [raw]
            for content in tables:
                table = read_table(content, known_names(), fold, int(folder.assumed["columns_limit"]), is_book)
                header = read_header(FAMILY["visit"], table.header, own)
                cells = {name: table.cells[name].to_list() for name in table.header}
                guesses = {one.header: one.column for one in guess(cells)}
                for name, _ in header.unknown:
                    meant = guesses[name] if guesses[name].partition(" (")[0] in VISIT_COLUMNS else ""
                    meant = "" if meant.partition(" (")[0] in header.columns else meant
                    shows = tuple(dict.fromkeys(text for text in cells[name] if text))[:3]
                    if shows or meant:
                        found.setdefault(name, Asked(name, meant, shows))
        except NoTable:
            continue
    return list(found.values())


def with_columns(folder: Folder, chosen: Mapping[str, str]) -> Folder:
    """The folder as if [columns] of its round.toml said so too."""
    return replace(folder, round=replace(folder.round, columns={**folder.round.columns, **chosen}))


def _becomes(tables: Tables, mine: pl.Expr, most: int = 100) -> list[Row]:
    """What the first rows of new visits files become: file, line, day, tank and what was read, in words."""
    values: dict[tuple[str, int], list[str]] = {}
    readings = tables["reading"].filter(mine).select("file", "line", "parameter", "low", "high")
    for file, line, parameter, low, high in readings.iter_rows():
        value = with_unit(interval(low, high, 3), CANON[parameter])
        values.setdefault((file, line), []).append(f"{PARAMETER_TITLES[parameter]} {value}")
    for file, line, fraction, litres in (
        tables["water_change"].filter(mine).select("file", "line", "fraction", "litres").iter_rows()
    ):
        values.setdefault((file, line), []).append(f"changed {amount(fraction, litres)}")
    visits = tables["visit"].filter(mine).sort("file", "line").head(most)
    return [
        {"file": file, "line": line, "day": day, "tank": tank, "says": ", ".join(values.get((file, line), []))}
        for file, line, day, tank in visits.select("file", "line", "day", "tank").iter_rows()
    ]


# -- one correction ----------------------------------------------------------------------------------


def _with_corrections(folder: Folder, rows: Sequence[Mapping[str, str]]) -> Sheets:
    """The sheets with more rows in corrections.csv."""
    names = text_columns("correction")
    of = {"of_file": "file", "of_line": "line", "of_column": "column"}
    typed = [{name: row.get(of.get(name, name), "") for name in names} for row in rows]
    more = pl.DataFrame(typed, schema=dict.fromkeys(names, pl.String)).select(
        pl.lit("corrections.csv").alias("file"),
        (TYPED_AT + pl.int_range(pl.len(), dtype=pl.Int64)).alias("line"),
        pl.all(),
    )
    return joined([folder.sheets, Sheets({"correction": more})])


def with_repeats(folder: Folder, row: Mapping[str, str]) -> list[dict[str, str]]:
    """A correction and the same one for every exact repeat of its row: put right alone, the repeat would come in."""
    found = _typed(folder, row["file"], int(row["line"]))
    if found is None:
        return [dict(row)]
    name, mine = found
    cells = text_columns(name)
    others = folder.sheets.frames[name].join(mine, on=["file", "line"], how="anti", maintain_order="left")
    alike = others.join(mine.select(cells), on=cells, how="semi", nulls_equal=True, maintain_order="left")
    places = alike.select("file", "line").iter_rows()
    return [dict(row), *({**row, "file": file, "line": str(line)} for file, line in places)]


def _typed(folder: Folder, file: str, line: int) -> tuple[str, pl.DataFrame] | None:
    """The family and the row as typed of a line; None where it is no row."""
    here = (pl.col("file") == file) & (pl.col("line") == line)
    rows = ((name, frame.filter(here)) for name, frame in folder.sheets.frames.items())
    return next((found for found in rows if found[1].height), None)


def _at(frame: pl.DataFrame, row: Mapping[str, str]) -> pl.DataFrame:
    return frame.filter((pl.col("file") == row["file"]) & (pl.col("line") == int(row["line"])))


def _first(tables: Tables, row: Mapping[str, str], *places: tuple[str, str]) -> Any:
    """What the first of some places (table, column) that has the row holds; None where none has."""
    for name, column in places:
        if name in tables and column in tables[name].columns and (mine := _at(tables[name], row)).height:
            return mine[column][0]
    return None


def _read_as(tables: Tables, row: Mapping[str, str]) -> str:
    """What the checked tables make of a cell that was put right."""
    column, family = row["column"], family_of(row["file"])
    if column in PARAMETERS or column == "value":
        got = _at(tables["reading"], row)
        got = got if column == "value" else got.filter(pl.col("parameter") == column)
        for low, high, parameter in got.select("low", "high", "parameter").iter_rows():
            return f"Read as {with_unit(interval(low, high, 3), CANON[parameter])}."
    if column == "water_changed":
        for fraction, litres in _at(tables["water_change"], row).select("fraction", "litres").iter_rows():
            return f"Read as {amount(fraction, litres)}."
    if column == "tank" and (tank := _first(tables, row, (family, "tank"), ("visit", "tank"))) is not None:
        names = dict(tables["tank"].select("tank", "name").iter_rows())
        return f"Read as {names.get(tank) or tank} ({tank})."
    if column == "date" and (day := _first(tables, row, (family, "date"), ("visit", "day"), ("reading", "day"))):
        return f"Read as {written_day(day, year=True)}."
    value = row.get("suggestion", "") if row["now"] == corrections.ACCEPT else row["now"]
    return f"Read as “{value}”."


def amount(fraction: float | None, litres: float | None) -> str:
    """A water change in words: 25 %, 53 L; what is not known is left out."""
    parts = [
        per_cent(100 * fraction) if fraction is not None else "",
        with_unit(number(round(litres), 4), "L") if litres is not None else "",
    ]
    return ", ".join(part for part in parts if part) or "not known"


def correction(folder: Folder, held: pl.DataFrame, rows: Sequence[Mapping[str, str]]) -> Answer:
    """What rows of corrections.csv would do: the first, and those of its repeats. `held` is what is held without them."""
    row = rows[0]
    now = row["now"].strip()
    if not now:
        return Answer(False, "Nothing is typed; expected a value.")
    tables = check(_with_corrections(folder, rows), folder.round, folder.assumed, folder.today)
    mine = tables["correction"].filter((pl.col("file") == "corrections.csv") & (pl.col("line") >= TYPED_AT))
    if mine.height != len(rows) or "stale" in mine["state"]:
        return Answer(False, "The file reads otherwise by now, so this would change nothing. Load the page again.")
    column = row["column"] or None
    still = _at(tables["held"], row).filter(pl.col("column").eq_missing(pl.lit(column, pl.String)))
    if still.height and not (now == corrections.REJECT and column is None):
        return Answer(False, f"It would be held again: {still['reason'][0]}")
    more = tables["held"].join(held.select(KEY), on=KEY, how="anti", nulls_equal=True)
    freed = held.join(tables["held"].select(KEY), on=KEY, how="anti", nulls_equal=True).height - 1
    says = []
    if now == corrections.REJECT:
        says.append("The cell will not be used; the rest of its row is." if column else "The row will not be used.")
    else:
        says.append(_read_as(tables, row))
        marked = _at(tables["remark"], row).filter((pl.col("column") == column) & (pl.col("outcome") == "warned"))
        says += [f"Used, and marked: {text}" for text in marked["says"]]
    if freed > 0:
        says.append(f"{counted(freed, 'other item')} held with it will be free too.")
    says += [f"The same for its exact repeat in {again['file']}, line {again['line']}." for again in rows[1:]]
    says += [
        f"Then held: {r['column'] or 'row'} “{r['text']}” in {r['file']}, line {r['line']}. {r['reason']}"
        for r in more.head(3).iter_rows(named=True)
    ]
    return Answer(True, " ".join(says))


def cell_now(folder: Folder, file: str, line: int, column: str) -> str | None:
    """What a cell of the raw files reads now; of a whole row, where `column` is blank, the cells that hold anything, in
    the order of its sheet; None where there is none."""
    name, mine = _typed(folder, file, line) or ("", pl.DataFrame())
    if column:
        match = [c for c in text_columns(name) if fold(c) == fold(column)] if name else []
        return str(mine[match[0]][0] or "") if match else None
    if name:
        return ",".join(cell for cell in mine.select(text_columns(name)).row(0) if cell)
    here = (pl.col("file") == file) & (pl.col("line") == line) & pl.col("column").is_null()
    bad = folder.sheets.issues.filter(here & (pl.col("outcome") == "held"))
    return bad["text"][0] if bad.height else None


def held_since(folder: Folder, held: pl.DataFrame) -> list[dt.date | None]:
    """The day of each held row: as it was checked, else as its date cell reads; None where neither can be told."""
    context = Context(folder.round, folder.assumed, folder.today)
    # What a file shows of its dates settles how they are read: whole files, but only those that something is held of.
    files = pl.col("file").is_in(held["file"].unique().implode())
    frames = [frame.filter(files) for frame in folder.sheets.frames.values() if "date" in frame.columns]
    dates = [
        frame.select("file", "line", read_dates(frame, ["date"], context)["date"].values("day", pl.Date).alias("read"))
        for frame in frames
        if frame.height
    ]
    none = held.clear().select("file", "line", pl.col("day").alias("read"))
    known = pl.concat([none, *dates]).unique(["file", "line"], keep="first")
    joined = held.select("file", "line", "day").join(known, on=["file", "line"], how="left", maintain_order="left")
    return list(joined.select(pl.coalesce("day", "read")).to_series())


# -- one cell, as it is typed or tapped --------------------------------------------------------------


def ladders(week: Week) -> dict[tuple[str, str], KitRow]:
    """(kit as in kits.csv, parameter) -> its ladder, in the order of kits.csv."""
    rows = kits_of(week.tables, week.assumed)
    kits = week.table("kit").sort("file", "line").select("kit", "parameter").iter_rows()
    return {(kit, parameter): rows[fold_name(kit), parameter] for kit, parameter in kits}


def tapped(steps: Sequence[str], chosen: Sequence[str]) -> tuple[str, str]:
    """(text of the cell, what is wrong): one step as it is, two neighbours as a range, none as not tested."""
    places = sorted(steps.index(step) for step in chosen)
    if not places:
        return "", ""
    if len(places) == 1:
        return steps[places[0]], ""
    if len(places) == 2 and places[1] == places[0] + 1:
        return f"{steps[places[0]]}-{steps[places[1]]}", ""
    return "", "These steps are not neighbours: keep one, or two that touch."


def reading(parameter: str, text: str, kit: KitRow | None, assumed: Assumptions) -> Answer:
    """What a reading cell would be taken for; blank says nothing."""
    taken = read_one(parameter, text, kit, Context(Round(), assumed, dt.date.today()))
    if taken["outcome"] == "held":
        return Answer(False, taken["says"])
    if taken["matched"] is None:
        return Answer(True, "")
    return Answer(True, f"read as {with_unit(interval(taken['low'], taken['high'], 3), CANON[parameter])}")


def change(text: str, net_l: float | None, assumed: Assumptions, gallon: str) -> Answer:
    """What a water change would be taken for, in per cent and litres [L]; `net_l` is the tank's net volume [L]."""
    cell = read_change(text, "", assumed, gallon)
    if cell.held:
        return Answer(False, cell.says)
    if not cell.low:
        return Answer(True, "")
    in_per_cent = cell.unit == "%"
    known = net_l if net_l else None
    fraction = cell.low / 100 if in_per_cent else cell.low / known if known else None
    litres = cell.low if not in_per_cent else fraction * known if known and fraction is not None else None
    if fraction is not None and fraction > 1:
        holds = with_unit(number(net_l, 4), "L")
        return Answer(False, f"“{text}” is more than the tank holds ({holds} net); expected 100 % or less.")
    return Answer(True, f"read as {amount(fraction, litres)}")


def waits_for(file: str, column: str) -> bool:
    """Whether a whole row of the file waits for this column: without it there is no row."""
    family = FAMILY.get(family_of(file))
    return family is not None and column in required(family)
