"""corrections.csv: a cell put right. It applies only while the cell still reads what it read when it was put right."""

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from pipeline.intake.columns import CELL, KEY, NO_ISSUES, issue_rows, join_issues, unit_column
from pipeline.intake.headers import fold
from pipeline.intake.sheets import Sheets

ACCEPT, REJECT = "accept", "reject"
NOTHING = "not understood"  # the state of an accept where nothing was suggested
PLACE = {"file": pl.String, "line": pl.Int64}
TOUCHED = {**PLACE, **dict.fromkeys(("column", "was", "now", "by"), pl.String)}
Place = tuple[str, int]  # file, line
States = dict[Place, str]  # of corrections, by where they stand themselves


@dataclass(frozen=True)
class _Wanted:
    """A correction: the cell it names (`column` folded; blank for the whole row), and where it stands itself."""

    place: Place
    column: str
    was: str
    now: str
    by: str
    own: Place


def pieces(text: str) -> frozenset[str]:
    """What stands between the separators of a row's text, quotes and case apart."""
    return frozenset(part for cut in re.split(r"[,;\t|\"\r\n]", text) if (part := cut.strip().casefold()))


def _wanted(sheets: Sheets) -> list[_Wanted]:
    """The corrections whose line can be read."""
    frame = sheets.frames.get("correction")
    if frame is None:
        return []
    line = pl.col("of_line").str.strip_chars().cast(pl.Int64, strict=False)
    wanted = []
    for row in frame.with_columns(line).drop_nulls("of_line").iter_rows(named=True):
        place = row["of_file"].replace("\\", "/").removeprefix("./"), row["of_line"]
        now = row["now"].strip()
        now = now.lower() if now.lower() in (ACCEPT, REJECT) else now
        own = row["file"], row["line"]
        wanted.append(_Wanted(place, fold(row["of_column"]), row["was"].strip(), now, row["by"], own))
    return wanted


def _edited(
    frame: pl.DataFrame, places: Iterable[Place], edit: Callable[[dict[str, Any]], dict[str, Any] | None]
) -> pl.DataFrame:
    """The frame with its rows at some places as `edit` makes them, without those it makes nothing of."""
    there = pl.DataFrame(list(places), schema=PLACE, orient="row")
    rows = frame.with_row_index("at")
    mine = rows.join(there, on=KEY, how="semi", maintain_order="left")
    if mine.height == 0:
        return frame
    made = [
        {"at": at, **new}
        for at, row in zip(mine["at"], mine.drop("at").iter_rows(named=True), strict=True)
        if (new := edit(row))
    ]
    others = rows.join(mine, on="at", how="anti")
    return pl.concat([others, pl.DataFrame(made, schema=rows.schema)]).sort("at").drop("at")


def _rejected(wanted: Sequence[_Wanted], place: Place, text: str) -> list[tuple[Any, ...]]:
    """A row as touched where it was rejected and still says what it said then; a blank `was` asks nothing."""
    whole = [one for one in wanted if one.place == place and not one.column and one.now == REJECT]
    stands = [one for one in whole if pieces(one.was) <= pieces(text)]
    return [(*place, None, "", one.now, one.by) for one in stands[-1:]]


def apply(sheets: Sheets) -> tuple[Sheets, pl.DataFrame, States]:
    """The sheets with their corrections in place, the cells touched, and the state of each correction.

    Cells touched: file, line, column, was, now, by; `column` is null for a whole row.
    """
    wanted = _wanted(sheets)
    if not wanted:
        return sheets, pl.DataFrame(schema=TOUCHED), {}
    held = sheets.issues.filter(pl.col("outcome") == "held")
    as_typed: dict[tuple[Any, ...], str] = {}  # of cells that are held, and so blank in their frame
    for *cell, text in held.drop_nulls("column").select(*CELL, "text").iter_rows():
        as_typed.setdefault(tuple(cell), text)
    # One cell may be put right more than once; of two that say it reads the same, the later one counts.
    in_turn: dict[Place, dict[tuple[str, str], _Wanted]] = {}
    for one in wanted:
        own = in_turn.setdefault(one.place, {})
        own.pop((one.column, one.was), None)
        own[one.column, one.was] = one
    touched: list[tuple[Any, ...]] = []

    def edit(row: dict[str, Any]) -> dict[str, Any] | None:
        place, new = (row["file"], row["line"]), dict(row)
        columns = [name for name in row if name not in KEY and not name.startswith(unit_column(""))]
        by_fold = {fold(name): name for name in columns}
        for one in in_turn[place].values():
            column = by_fold.get(one.column, "")
            cell = (*place, column)
            if column and as_typed.get(cell, new[column] or "") == one.was:
                touched.append((*cell, one.was, one.now, one.by))
                as_typed.pop(cell, None)
                new[column] = {REJECT: "", ACCEPT: new[column]}.get(one.now, one.now)
        gone = _rejected(wanted, place, ",".join(new[name] or "" for name in columns))
        touched.extend(gone)
        return None if gone else new

    frames = {n: f if n == "correction" else _edited(f, in_turn, edit) for n, f in sheets.frames.items()}
    torn = held.filter((pl.col("line") > 0) & pl.col("column").is_null()).select(*KEY, "text").iter_rows()
    lines = [gone for file, line, text in torn for gone in _rejected(wanted, (file, line), text)]
    cells = pl.DataFrame([*touched, *lines], schema=TOUCHED, orient="row")
    issues = sheets.issues.join(cells.drop_nulls("column"), on=CELL, how="anti", maintain_order="left")
    if lines:
        gone = pl.DataFrame([line[:2] for line in lines], schema=PLACE, orient="row")
        issues = issues.join(gone, on=KEY, how="anti", maintain_order="left")
    applied = {(file, line, fold(column or ""), was, now) for file, line, column, was, now, _ in cells.iter_rows()}
    states = {
        one.own: "applied" if (*one.place, one.column, one.was if one.column else "", one.now) in applied else "stale"
        for one in wanted
    }
    return replace(sheets, frames=frames, issues=issues), cells, states


def nothing_to_accept(sheets: Sheets, states: States, cells: pl.DataFrame) -> States:
    """The states, where an accept finds no suggestion in its cell."""
    bare = {(file, line, fold(column or "")) for file, line, column in cells.select(CELL).iter_rows()}
    lost = (one.own for one in _wanted(sheets) if one.now == ACCEPT and (*one.place, one.column) in bare)
    return states | dict.fromkeys(lost, NOTHING)


def with_states(frame: pl.DataFrame, states: States) -> pl.DataFrame:
    """Corrections with the `state` of each; null where its line can't be read."""
    return frame.with_columns(pl.Series("state", [states.get(place) for place in frame.select(KEY).rows()], pl.String))


def put(sheets: Sheets, offered: pl.DataFrame) -> Sheets:
    """The sheets with suggestions that a person accepted typed into their cells."""
    new_cells: dict[Place, dict[str, str]] = {}
    for file, line, column, text in offered.select(*CELL, "suggestion").iter_rows():
        new_cells.setdefault((file, line), {})[column] = text

    def edit(row: dict[str, Any]) -> dict[str, Any]:
        return {**row, **{name: text for name, text in new_cells[row["file"], row["line"]].items() if name in row}}

    return replace(sheets, frames={name: _edited(frame, new_cells, edit) for name, frame in sheets.frames.items()})


def remarks_on_cells(cells: pl.DataFrame, offered: pl.DataFrame | None = None) -> pl.DataFrame:
    """What is said of the cells that were put right. `offered`: suggestions that were accepted (file, line, column)."""
    named = (NO_ISSUES if offered is None else offered).select(*CELL, "suggestion")
    cells = cells.join(named, on=CELL, how="left", maintain_order="left")
    accepted, bare = pl.col("now") == ACCEPT, pl.col("suggestion").is_null()
    cells = cells.with_columns(pl.col("was").fill_null(""))
    cases = {
        "correction": ~accepted,
        "correction: accepted": accepted & bare,
        "correction: suggested": accepted & ~bare,
    }
    return join_issues(
        issue_rows(cells, pl.col("column"), case, test, outcome="converted", text="was") for case, test in cases.items()
    )


def remarks(sheets: Sheets, states: States) -> pl.DataFrame:
    """What is said of corrections themselves: those that do nothing any more, and those nobody can follow."""
    frame = sheets.frames.get("correction")
    if frame is None:
        return NO_ISSUES
    rows = with_states(frame, states)
    state = pl.col("state")
    stale = issue_rows(rows, "was", "correction stale", state == "stale", outcome="warned")
    nothing = issue_rows(rows, "now", "nothing to accept", state == NOTHING, outcome="warned")
    return join_issues([stale, nothing, issue_rows(rows, "of_line", "correction: no line", state.is_null())])
