"""Visit sheets, wide and long, to visits, readings and water changes."""

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.intake import amounts, beside, patterns
from pipeline.intake.beside import PART, RETEST, Parts, ask, contradicts, two_changes, two_sights, two_values
from pipeline.intake.columns import (
    CELL,
    KEY,
    SEVERAL,
    Cells,
    Collected,
    Reader,
    Resolver,
    distinct,
    fold_name,
    join_issues,
    read_columns,
    read_dates,
    reader_of,
    sentences,
    sheet_order,
    unit_column,
)
from pipeline.intake.grammar import BLANK, Cell, held, read_time, read_word
from pipeline.intake.judge import judge
from pipeline.intake.readings import Kits, kits_of, read_typed
from pipeline.intake.sheets import Sheets, text_columns
from pipeline.intake.standing import with_large_changes
from schemas import Tables, conform, empty
from schemas.columns import describe
from schemas.parameters import RECORDS
from schemas.visits import PlacedRow, VisitSheet, WaterChange
from schemas.words import CHANGE_KINDS, PARAMETERS, TAKEN

NO_CHANGE = ("", "-", "none", "no", "0")
ALIASES = {name: record.name for record in RECORDS for name, basis in record.aliases.items() if not basis}


def all_rows(sheets: Sheets, found: Collected) -> pl.DataFrame:
    """Wide rows and long ones under each other, all with the columns of a wide sheet, `parameter`, `value` and `long`."""
    frames = []
    for name in ("visit", "visit_long"):
        frame = sheets.frames.get(name)
        if frame is None or frame.height == 0:
            continue
        if name == "visit_long":
            frame = _named(frame, found)
        # In dates, what a file shows settles the order: each file is of one form.
        days = read_dates(frame, ["date"], found)["date"]
        found.issues.append(days.issues())
        frames.append(
            frame.with_columns(days.values("day", pl.Date).alias("day"), pl.lit(name == "visit_long").alias("long"))
        )
    if not frames:
        return pl.DataFrame()
    rows = pl.concat(frames, how="diagonal")
    wanted = [*text_columns("visit"), "parameter", "value"]
    return rows.with_columns(
        (pl.col(name).fill_null("") if name in rows.columns else pl.lit("")).alias(name) for name in wanted
    )


def _named(frame: pl.DataFrame, found: Collected) -> pl.DataFrame:
    """Long rows with their parameter read. An unknown one is reported as an unknown column is; a blank one holds."""

    def parameter(text: str, _: str) -> Cell:
        name = ALIASES.get(text.casefold().replace(" ", ""))
        return (
            Cell("converted", word=name, fault="word", says=f"read as {name}") if name else read_word(text, PARAMETERS)
        )

    cells = read_columns(frame, {"parameter": parameter})["parameter"]
    odd = frame.select("file", cells.values(lambda cell: "" if cell.word in PARAMETERS else cell.word).alias("column"))
    found.unknown.append(patterns.with_likeness(odd.drop_nulls().unique(maintain_order=True), PARAMETERS))
    found.issues.append(cells.issues())
    found.say(frame, "parameter", "key missing: parameter", pl.col("parameter") == "", whole=True)
    unit = pl.col("unit").fill_null("").alias(unit_column("value"))
    named = frame.with_columns(cells.values(lambda cell: cell.word if cell.word in PARAMETERS else None), unit)
    return found.not_held(named)


def tanks_meant(frame: pl.DataFrame, resolver: Resolver, found: Collected) -> pl.DataFrame:
    """The frame with `tank_id`, the tank meant."""
    typed, day = (pl.col("tank"), pl.col("site")), pl.col("day")
    missing = held("key missing: tank", "")
    pairs, at = distinct(frame, *typed)
    meant = [resolver.find(tank, site) if tank else missing for tank, site in pairs]
    if any(one.fault == SEVERAL for one in meant):
        pairs, at = distinct(frame, *typed, day)
        meant = [resolver.find(tank, site, on) if tank else missing for tank, site, on in pairs]
    cells = Cells(frame, "tank", [one[0] for one in pairs], meant, at)
    found.issues.append(cells.issues())
    return frame.with_columns(cells.values("word").alias("tank_id"))


def _with_route_day(unread: pl.DataFrame, rows: pl.DataFrame, standing: Tables) -> pl.DataFrame:
    """The issues of dates, with the weekday on which the site is visited as a hint where the order is not known."""
    route = (
        standing["tank"].select("site", tank_id="tank").join(standing["site"].select("site", "visit_day"), on="site")
    )
    asked = unread.filter(pl.col("fault") == "ambiguous date").join(rows.select(*KEY, "tank_id"), on=KEY)
    asked = asked.join(route.drop_nulls(), on="tank_id")
    hinted = asked.with_columns(sentences(asked, "{says} This site's route day is {visit_day}."))
    others = unread.join(hinted, on=CELL, how="anti", nulls_equal=True, maintain_order="left")
    return join_issues([others, hinted])


def placed_rows(rows: pl.DataFrame, standing: Tables, found: Collected) -> pl.DataFrame:
    """The rows whose tank and day are known, with `at` and `no`, the tank's number, in order of tank and time."""
    named = tanks_meant(rows, Resolver(standing["alias"], standing["site"], standing["tank"]), found)
    found.issues = [_with_route_day(join_issues(found.issues), named, standing)]
    found.places.append(named.select(*KEY, pl.col("tank_id").alias("tank"), "day", "parameter"))
    ran = standing["tank"].select(pl.col("tank").alias("tank_id"), "set_up", "closed").with_row_index("no")
    named = named.join(ran, on="tank_id", how="left", maintain_order="left")
    judged = judge(PlacedRow, named, found, named.with_columns(pl.col("date").alias("day")))
    clock = read_columns(named, {"time": lambda text, _: read_time(text)})["time"]
    found.issues += [judged.issues.with_columns(pl.lit("date").alias("column")), clock.issues()]
    found.say(named, "date", "key missing: date", pl.col("date").is_in(["", "-"]))
    unplaced = named.filter(pl.col("tank_id").is_null() | pl.col("day").is_null())
    found.whole += [judged.issues.select(KEY), unplaced.select(KEY)]
    good = named.with_columns(clock.values(lambda cell: cell.low or 0.0, pl.Float64).alias("second"))
    good = found.not_held(good)
    at = pl.col("day").cast(pl.Datetime("us")) + pl.duration(seconds=pl.col("second"))
    return good.with_columns(at.alias("at")).drop("second", "set_up", "closed").sort("no", "at", maintain_order=True)


def _shared(*columns: str) -> pl.Expr:
    """Whether the row before or after says the same of some columns, in a frame that has such rows side by side."""
    same = pl.all_horizontal(pl.col(c) == pl.col(c).shift(1) for c in columns).fill_null(False)
    return same | same.shift(-1, fill_value=False)


def without_repeats(placed: pl.DataFrame, found: Collected) -> pl.DataFrame:
    """Rows that say exactly what an earlier row of the same tank and time says are counted once, wherever they stand."""
    several = placed.filter(_shared("no", "at"))
    columns = [c for c in text_columns("visit") if c not in ("date", "time", "site", "tank")]
    columns += [c for c in ("no", "at", "long", "parameter", "value", "unit") if c in placed.columns]
    found.without_repeats(several.with_columns(pl.col("no", "at", "long").cast(pl.String)), columns)
    again = found.again[-1]
    return placed.join(again, on=KEY, how="anti", maintain_order="left") if again.height else placed


def ways_taken(placed: pl.DataFrame, cells: Cells, found: Collected) -> pl.Series:
    """How each sample was taken: blank is before on a day with a change, none otherwise; "after" needs a change."""
    day = placed["no"].cast(pl.Int64) * 2**20 + placed["day"].to_physical()
    changed = day.is_in(day.filter(~placed["water_changed"].is_in(NO_CHANGE)).unique().implode())
    stated = cells.values(lambda cell: cell.word if cell.word in ("", *TAKEN) else "unknown").alias("stated")
    frame = placed.select(*KEY, "taken", stated, changed.alias("changed"))
    wrong = (pl.col("stated") == "after") & ~pl.col("changed")
    found.say(frame, "taken", "after without a change", wrong)
    unsaid = pl.when("changed").then(pl.lit("before")).otherwise(pl.lit("none"))
    return frame.select(taken=pl.when(wrong).then(pl.lit("unknown")).otherwise(pl.coalesce("stated", unsaid)))["taken"]


def _water(text: str, supplies: dict[str, str]) -> Cell:
    """What the new water was: a supply, or a share of ro."""
    folded = fold_name(text)
    if not folded or folded == "-":
        return Cell()
    rest = folded[2:].strip(":=") if folded.startswith("ro") else "no"
    if rest == "" or rest.rstrip("%").replace(".", "", 1).isdigit():
        share = float(rest.rstrip("%")) / 100 if rest else 1.0
        if share <= 1:
            return Cell(word="ro", low=share)
    if folded in supplies:
        return Cell(word=supplies[folded])
    expected = ", ".join(sorted(supplies.values())[:6]) or "a supply of sites.csv"
    return held("new water not known", text, expected=expected)


def _known_kit(text: str, known: set[str]) -> Cell:
    if not text or fold_name(text) in known:
        return BLANK
    says = f"“{text[:40]}” is not a kit of kits.csv: its readings are taken in the usual units. Add it there."
    return Cell("warned", fault="kit not known", says=says)


def read_cells(placed: pl.DataFrame, kits: Kits, standing: Tables, found: Collected) -> dict[str, Cells]:
    """The cells of sheets that are no readings."""
    named = {*standing["site"]["water_supply"], *standing["tap"]["water_supply"]} - {None}
    supplies = {fold_name(supply): supply for supply in sorted(named)}
    known, notes = {kit for kit, _ in kits}, describe(VisitSheet)
    plain = {name: reader_of(notes[name], found) for name in ("taken", "fish_seen", "fish_look", "change_kind")}
    others: dict[str, Reader] = {
        "kit": lambda text, _: _known_kit(text, known),
        "water_changed": lambda text, of: amounts.read_change(text, of, found.assumed, found.round.gallon),
        "new_water": lambda text, _: _water(text, supplies),
    }
    cells = read_columns(placed, plain | others)
    found.issues += [one.issues() for one in cells.values()]
    return cells


def read_changes(placed: pl.DataFrame, cells: Mapping[str, Cells], standing: Tables, found: Collected) -> pl.DataFrame:
    """The water changes with their fraction and source."""
    amount, kind, source = (cells[name] for name in ("water_changed", "change_kind", "new_water"))
    frame = placed.select(
        "row", *KEY, "no", "tank_id", "day", "at", text="water_changed", kind_text="change_kind"
    ).with_columns(
        amount.values("low", pl.Float64).alias("low"),
        amount.values("guessed", pl.Boolean).alias("guessed"),
        amount.values("outcome").alias("outcome"),
        amount.values("unit").alias("in"),
        kind.values(lambda cell: cell.word if cell.word in CHANGE_KINDS else None).alias("kind"),
        source.values("word").alias("own source"),
        source.values("low", pl.Float64).alias("ro"),
    )
    used = frame.filter(pl.col("low") > 0)
    share, is_ro = pl.col("low") / 100, pl.col("own source") == "ro"
    by_share = pl.col("in") == "%"
    # Net litres of each tank, measured or taken from gross, and its site's supply.
    net = pl.coalesce("net_l", pl.col("gross_l") * found.assumed["net_of_gross"])
    supply = standing["site"].select("site", "water_supply")
    tanks = standing["tank"].select("site", tank_id="tank", net=net).join(supply, on="site", how="left").drop("site")
    changes = used.join(tanks, on="tank_id", how="left", maintain_order="left").with_columns(
        pl.col("tank_id").alias("tank"),
        pl.when(by_share).then(share).otherwise(pl.col("low") / pl.col("net")).alias("fraction"),
        pl.when(by_share).then(share * pl.col("net")).otherwise(pl.col("low")).alias("litres"),
        pl.col("kind").fill_null("change"),
        pl.when(is_ro).then("water_supply").otherwise(pl.coalesce("own source", "water_supply")).alias("source"),
        pl.when(is_ro).then("ro").otherwise(0.0).alias("ro_share"),
    )
    judged = judge(WaterChange, changes, found)
    found.issues.append(judged.issues)
    return with_warned(judged.good.with_columns(pl.col("fraction").clip(0, 1)), judged.issues, KEY)


def named_by(issues: pl.DataFrame, frame: pl.DataFrame, key: list[str]) -> pl.Series:
    """Which rows of a frame issues speak of."""
    line = pl.col("file").cast(pl.Categorical).to_physical().cast(pl.Int64) * 2**32 + pl.col("line")
    lines = issues.select(line).to_series().unique()
    # Line by line at first, as one number: few need to be compared in full.
    near = frame.select(*key, pl.int_range(pl.len()).alias("n")).filter(line.is_in(lines.implode()))
    found = np.zeros(frame.height, bool)
    found[near.join(issues.cast(frame.select(key).schema), on=key, how="semi")["n"].to_numpy()] = True
    return pl.Series(found)


def with_warned(frame: pl.DataFrame, issues: pl.DataFrame, key: list[str]) -> pl.DataFrame:
    """The frame with its outcome `warned` where a cell was asked about."""
    warned = named_by(issues.filter(pl.col("outcome") == "warned"), frame, key)
    return frame.with_columns(pl.when(warned).then(pl.lit("warned")).otherwise("outcome").alias("outcome"))


def top_ups(change: pl.DataFrame, found: Collected) -> None:
    """Small changes several times a week: top-ups entered as changes?"""
    share, days = found.assumed["topup_share"], found.assumed["topup_days"]
    small = change.filter((pl.col("kind") == "change") & (pl.col("fraction") <= share + 1e-9)).sort("tank", "day")
    often = (pl.col("day") - pl.col("day").shift(2).over("tank")).dt.total_days() <= days
    found.say(small, "water_changed", "top-up", often, outcome="warned", text="text", shown={"within": days})


def _without_readings(
    rows: pl.DataFrame, kits: Kits, standing: Tables, found: Collected
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The rows in their places, all cells of them read but the readings; and their water changes."""
    placed = without_repeats(placed_rows(rows, standing, found), found).with_row_index("row")
    cells = read_cells(placed, kits, standing, found)
    taken = ways_taken(placed, cells["taken"], found)
    changes = read_changes(placed, cells, standing, found)
    words = [cells[name].values("word") for name in ("taken", "change_kind", "fish_look")]
    seen = cells["fish_seen"].values("low", pl.Float64)
    sheet = placed.with_columns(pl.col("day").alias("date"), pl.col("tank_id").alias("tank"), *words, seen)
    judged = judge(VisitSheet, sheet, found, placed)
    found.issues.append(judged.issues.filter(pl.col("column") != "date"))
    placed = placed.with_columns(
        taken.alias("taken"), (taken == "after").alias("after"), judged.good["fish_seen"], judged.good["fish_look"]
    )
    placed = beside.swapped_by_limits(placed, found).with_columns(pl.col("tank_id").alias("tank"))
    return placed.with_columns(pl.col("note").str.contains(RETEST).alias("retest")), changes


def read_visits(sheets: Sheets, standing: Tables, found: Collected) -> Tables:
    """Visit sheets to the tables visit, reading, water_change and doubt; a doubt keeps its column, for answers to it. The
    texts of readings are Categorical."""
    rows = all_rows(sheets, found)
    no_doubt = empty("doubt").with_columns(pl.lit(None, pl.String).alias("column"))
    if rows.height == 0:
        return {name: empty(name) for name in ("visit", "reading", "water_change")} | {"doubt": no_doubt}
    kits = kits_of(standing, found.assumed)
    placed, changes = _without_readings(rows, kits, standing, found)
    del rows
    # Texts that stand in millions of readings are held once.
    placed = placed.with_columns(pl.col("file", "tank", "taken").cast(pl.Categorical))
    keep = ["row", *KEY, "tank", "no", "day", "at", "taken", "after", "retest", "long"]
    read = {name: part.select(list(PART)) for name, part in read_typed(placed, PARAMETERS, keep, kits, found).items()}
    parts = {name: part if part["row"].is_sorted() else part.sort("row") for name, part in read.items()}
    of_visit = [name for name in placed.columns if name in ("row", "no", "date", *empty("visit").columns)]
    visit = two_sights(placed.select(of_visit), found)
    del placed  # its readings stand in their parts
    parts = _settled(parts, visit.filter(_shared("no", "day")).select("row"), found)
    change = two_changes(changes, found).sort("row")
    patterns.gaps(visit, found)
    top_ups(change, found)
    with_large_changes(standing["service"], change, found)
    readings = patterns.look_at(parts, change, standing, found)
    del parts, read  # two million readings need not be held twice
    readings = readings.select(*empty("reading").columns, "column").rechunk()
    issues = join_issues(found.issues).filter(pl.col("column").is_not_null())
    off = issues.filter(pl.col("fault") == "off the ladder")
    ask(found, readings.filter(named_by(off, readings, CELL)), doubt="off steps")
    readings = with_warned(readings, issues, CELL).select(empty("reading").columns)
    return {
        "doubt": pl.concat([no_doubt, *found.doubts]).sort(*KEY, "parameter", "doubt", nulls_last=True),
        "visit": conform("visit", visit.with_columns(pl.lit("").alias("outcome")).sort(KEY)),
        "reading": readings.sort(sheet_order(readings["file"])),
        "water_change": conform("water_change", change.sort(KEY)),
    }


def _settled(parts: Parts, several: pl.DataFrame, found: Collected) -> Parts:
    """Two values for the same thing are held, on both sides; equal ones count once."""
    if several.height == 0:
        return parts
    settled = {}
    key = ["tank", "day", "taken", "parameter", "retest"]
    for name, part in parts.items():
        shared = part.join(several, on="row", how="semi", maintain_order="left")
        # Of equal ones the first in the sheets counts, not the first of the day.
        shared = shared.sort("long", *KEY)
        kept = two_values(shared, key, contradicts(), pl.col("column"), found, unlike=("low", "high"))
        alone = part.join(several, on="row", how="anti", maintain_order="left")
        both = pl.concat([alone, kept])
        if both.height:
            settled[name] = both.sort("row")
    return settled
