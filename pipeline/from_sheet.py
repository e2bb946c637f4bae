"""A log folder made from one spreadsheet: its columns guessed, its tanks and sites listed, its visits kept as typed."""

import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from pipeline.assumptions import built_in
from pipeline.intake.files import BOOK, TABLES, family_of, own_name
from pipeline.intake.grammar import evidence, numeric
from pipeline.intake.headers import FAMILY, OF_TANKS, Guess, fold, guess, known_names, names_of, read_header
from pipeline.intake.structure import NoTable, Table, read_table, sheets_of
from pipeline.logbook import toml_lines
from pipeline.new_folder import ROUND_TOML, csv_text, headers, make_folder
from pipeline.problems import Problem
from pipeline.wording import counted, listed
from schemas import Family
from schemas.parameters import BY_NAME

PLAIN_ID = re.compile(r"[A-Za-z]{0,3}[- ]?\d{1,4}")
OF_VISITS = frozenset(names_of(FAMILY["visit"]).values())
BESIDE_A_DATE = {*BY_NAME, "water_changed", "fish_seen", "note"}


@dataclass
class _Found:
    """What a spreadsheet came to."""

    guesses: list[Guess] = field(default_factory=list)
    of_visits: list[Guess] = field(default_factory=list)
    tanks: dict[tuple[str, str], dict[str, str]] = field(default_factory=dict)  # (site, tank) -> columns of tanks.csv
    files: dict[str, str] = field(default_factory=dict)
    dates: list[str] = field(default_factory=list)
    rows: int = 0
    left: list[str] = field(default_factory=list)  # sentences on sheets that were not used
    chosen: Mapping[str, str] = field(default_factory=dict)  # header -> column, by a person


@dataclass(frozen=True)
class Made:
    """What spreadsheets come to: files of a log folder, what round.toml must say, and what became of them in words."""

    files: dict[str, str]
    columns: dict[str, str]
    date_order: str
    two_ways: bool  # dates that can be read in two ways, and a person must say which
    says: list[str]


def _bare(column: str) -> str:
    return column.partition(" (")[0]


def _fill_down(found: _Found, path: str, cells: dict[str, list[str]], meant: Mapping[str, str]) -> None:
    """Of visits: sites and tanks that are written once, above their rows, stand in each of these; rows without a date,
    as of units and sums, are left out. Both are told."""
    bare = {n for n, text in enumerate(cells[meant["date"]]) if not text.strip()}
    lost = [n for n in bare if any(column[n].strip() for column in cells.values())]
    if lost:
        found.left.append(f"Not used: {counted(len(lost), 'row')} of {path} without a date.")
    for column in cells.values():
        column[:] = [text for n, text in enumerate(column) if n not in bare]
    group: list[str] = []
    for name in ("site", "tank"):
        own = cells.get(meant.get(name, ""), [])
        tops = [n for n, text in enumerate(own) if text.strip()]
        once = all(own[a] != own[b] or group[a:b] != group[b : b + 1] * (b - a) for a, b in pairwise(tops))
        if not tops or tops[0] or len(tops) == len(own) or not once:
            group = list(own)
            continue
        for n, text in enumerate(own):
            if n and not text.strip() and (not group or group[n] == group[n - 1]):
                own[n] = own[n - 1]
        found.left.append(f"“{meant[name]}” stands once above its rows in {path}: each blank is read as the one above.")
        group = list(own)


def _table(path: str, content: bytes) -> Table:
    return read_table(content, known_names(), fold, int(built_in()["columns_limit"]), BOOK.fullmatch(path) is not None)


def _ours(path: str, table: Table) -> Family | None:
    """Which of our files a sheet is that is named and headed as one; visits and tanks are looked at as any other."""
    family = family_of(path)
    if not family or family in ("visit", "tank") or read_header(FAMILY[family], table.header).missing:
        return None
    return FAMILY[family]


def _take(found: _Found, path: str, content: bytes) -> None:
    """One table of the spreadsheet into what was found."""
    table = _table(path, content)
    if not table.header:
        return
    if (ours := _ours(path, table)) is not None:
        found.files[ours.pattern.replace("*", "from-spreadsheet")] = content.decode("utf-8", "replace")
        return
    cells = {name: table.cells[name].to_list() for name in table.header}
    guesses = [Guess(one.header, found.chosen.get(one.header, one.column), one.why) for one in guess(cells)]
    meant = {_bare(one.column): one.header for one in guesses if one.column}
    named = next((header for header in table.header if fold(header) == "name"), None)
    if named and "date" not in meant and named not in found.chosen:  # of a list of tanks
        meant["name" if "tank" in meant else "tank"] = named
        guesses = [Guess(g.header, "tank", "by its name") if g.header == meant["tank"] else g for g in guesses]
    tank_here = "" if "tank" in meant else own_name(path)
    is_visits = "date" in meant and bool(BESIDE_A_DATE & set(meant)) and bool("tank" in meant or tank_here)
    is_tanks = "date" not in meant and "tank" in meant and bool({"site", *OF_TANKS} & set(meant))
    if not is_visits and not is_tanks:
        found.left.append(
            f"Not used: {path}. It has no columns for a date, a tank and readings, nor for tanks and litres."
        )
        return
    found.guesses += [one for one in guesses if one not in found.guesses]
    if is_visits:
        _fill_down(found, path, cells, meant)
    columns = {name: cells[header] for name, header in meant.items()}
    height = len(next(iter(cells.values())))
    for row in (dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)):
        if tank := row.get("tank", tank_here).strip():
            about = found.tanks.setdefault((row.get("site", "").strip(), tank), {})
            about |= {name: row[name] for name in ("name", *OF_TANKS) if row.get(name) and name not in about}
    if not is_visits:
        return
    found.of_visits += [one for one in guesses if one not in found.of_visits]
    found.dates += columns["date"]
    found.rows += height
    shares = meant.get("water_changed") if BOOK.fullmatch(path) else None
    if shares:  # 30% as it is typed, where a spreadsheet keeps 0.3
        cells[shares] = [f"{float(t) * 100:.6g}%" if re.fullmatch(r"0?\.\d+|1", t) else t for t in cells[shares]]
    head, body = list(cells), [list(row) for row in zip(*cells.values(), strict=True)]
    if tank_here:
        head, body = [*head, "tank"], [[*row, tank_here] for row in body]
    name = f"visits/{re.sub(r'[^A-Za-z0-9]+', '-', tank_here or Path(path).stem).strip('-') or 'visits'}"
    while f"{name}.csv" in found.files:
        name += "-again"
    found.files[f"{name}.csv"] = csv_text([head, *body])


def _places(found: _Found) -> dict[str, str]:
    """sites.csv and tanks.csv. A tank that one sheet names with its site and another without is one tank."""
    for site, tank in [key for key in found.tanks if not key[0]]:
        named = [key for key in found.tanks if key[0] and fold(key[1]) == fold(tank)]
        if len(named) == 1:
            about = found.tanks.pop((site, tank))
            found.tanks[named[0]] = about | found.tanks[named[0]]
    names_of_sites = dict.fromkeys(site for site, _ in found.tanks)
    as_given = "sites.csv" in found.files  # then the sites are named by their ids
    sites = {name: name if as_given else f"S{place}" for place, name in enumerate(names_of_sites, 1)}
    names = [tank for _, tank in found.tanks]
    plain = len(set(map(fold, names))) == len(names) and all(PLAIN_ID.fullmatch(name) for name in names)
    rows = []
    for place, ((site, name), about) in enumerate(found.tanks.items(), 1):
        own = {"tank": name, "name": about.get("name", "")} if plain else {"tank": f"T{place:02d}", "name": name}
        row = {**about, **own, "site": sites[site]}
        rows.append([row.get(column, "") for column in headers(FAMILY["tank"])])
    site_rows = [[ident, name or "Site 1"] for name, ident in sites.items()]
    return {
        "sites.csv": csv_text([["site", "name"], *site_rows]),
        "tanks.csv": csv_text([headers(FAMILY["tank"]), *rows]),
    }


def _own_columns(guesses: Sequence[Guess]) -> dict[str, str]:
    """What [columns] must say: names that a load would not know by itself; blank for those of no visits sheet."""
    own: dict[str, str] = {}
    for one in guesses:
        column = one.column if _bare(one.column) in OF_VISITS else ""
        by_itself = read_header(FAMILY["visit"], [one.header]).columns
        if one.header and not (column and _bare(column) in by_itself) and fold(one.header):
            own[one.header] = own.get(one.header) or column
    return own


def _dates(found: _Found) -> tuple[str, list[str]]:
    """(order of the dates, what is said of it)."""
    shown = evidence(found.dates)
    if shown in ("day-first", "month-first"):
        return shown, [f"Dates are read {shown}, as they show."]
    if any(numeric(text)[0] for text in found.dates):
        return "iso", ['Dates such as 03/04/2026 can be read in two ways: set date_order in round.toml to "day-first" or "month-first".']  # fmt: skip
    return "iso", []


def _says(found: _Found, own: Mapping[str, str]) -> list[str]:
    taken = [
        f"“{one.header}” is {one.column}"
        for one in found.guesses
        if one.column and _bare(one.column) != fold(one.header)
    ]
    unused = [f"“{one.header}”" for one in found.of_visits if not one.column and one.header in own]
    says = [f"Columns: {listed(taken)}."] if taken else []
    if unused:
        says.append(f"Not used: {listed(unused)}. Name a column for one under [columns] in round.toml to use it.")
    bare = sum(not (about.get("gross_l") or about.get("net_l")) for about in found.tanks.values())
    if bare:
        says.append(f"{counted(bare, 'tank')} without litres: type them as gross_l in tanks.csv, for the bioload.")
    return says


def tables_in(name: str, raw: bytes) -> list[tuple[str, bytes]]:
    """(name, content) of each table of a file: of a workbook its sheets."""
    limit = built_in()["file_limit_mb"]
    if len(raw) > limit * 1e6:
        raise Problem(f"{name} is larger than {limit:g} MB; split it into several files. Nothing written.")
    if not BOOK.fullmatch(name):
        return [(name, raw)]
    try:
        return [(f"{name}, sheet {sheet}", content) for sheet, content in sheets_of(raw)]
    except NoTable as error:
        raise Problem(f"{name} can't be read: {error}. Nothing written.") from None


def guessed(tables: Sequence[tuple[str, bytes]]) -> list[Guess]:
    """What each column of tables (name, content) may be, each header once; of what is no table, nothing."""
    found: dict[str, Guess] = {}
    for path, content in tables:
        with suppress(NoTable):
            table = _table(path, content)
            if table.header and _ours(path, table) is None:
                for one in guess({name: table.cells[name].to_list() for name in table.header}):
                    found.setdefault(one.header, one)
    return list(found.values())


def made_of(
    name: str, tables: Sequence[tuple[str, bytes]], left: Sequence[str] = (), chosen: Mapping[str, str] | None = None
) -> Made:
    """What tables (name, content) come to; what a person has `chosen` of their columns goes before what is guessed.

    Raises Problem where they name no tanks."""
    found = _Found(chosen=chosen or {})
    found.left += left
    for path, content in tables:
        try:
            _take(found, path, content)
        except NoTable as error:
            found.left.append(f"Not used: {path}: {error}.")
    if not found.tanks:
        reasons = " ".join(found.left) or "It is empty."
        raise Problem(
            f"{name} names no tanks; expected columns for a date, a tank and readings. {reasons} Nothing written."
        )
    own, places = _own_columns(found.of_visits), _places(found)
    order, of_dates = _dates(found)
    sites = len({site for site, _ in found.tanks})
    says = (
        f"From {name}: {counted(len(found.tanks), 'tank')} at {counted(sites, 'site')}, {counted(found.rows, 'visit')}."
    )
    if sites == 1 and not next(iter(found.tanks))[0]:
        says += " No column names a site, so all tanks stand at one: change that in sites.csv and tanks.csv."
    return Made(
        {**places, **found.files}, own, order, order == "iso" and bool(of_dates),
        [says, *_says(found, own), *of_dates, *found.left],
    )  # fmt: skip


def make_from(folder: Path, source: Path) -> list[str]:
    """Make a log folder from a spreadsheet, or from a folder of them; returns what became of it, in sentences. The
    spreadsheets stay as they are."""
    files = sorted(path for path in (source.iterdir() if source.is_dir() else [source]) if path.is_file())
    others = [f"Not used: {path.name}: no spreadsheet." for path in files if path.suffix.casefold() not in TABLES]
    files = [path for path in files if path.suffix.casefold() in TABLES]
    if not files:
        raise Problem(
            f"{source} is no spreadsheet that can be read; expected a file ending in {listed(TABLES)}, or a folder of"
            " such files. Nothing written."
        )
    most = int(built_in()["file_limit_mb"] * 1e6) + 1
    tables = []
    for path in files:
        with path.open("rb") as file:  # no more of it than shows that it is too large
            tables += tables_in(path.name, file.read(most))
    made = made_of(source.name, tables, others)
    settings = ROUND_TOML.replace('date_order = "iso"   ', f'date_order = "{made.date_order}"   ')
    settings = settings.replace("[columns]\n", f"[columns]\n{toml_lines(made.columns)}")
    make_folder(folder, {**made.files, "round.toml": settings})
    return [f"Made {folder}.", *made.says, f"Then: tankround review {folder}"]
