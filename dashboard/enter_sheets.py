"""Readings as a grid at the desk, files from elsewhere, and a form for any other record, made from the columns of its file:
each shows its account before anything is kept."""

import datetime as dt
from collections.abc import Mapping
from typing import Any

import polars as pl
import streamlit as st

from dashboard import at_tank, data, look
from dashboard import enter_forms as forms
from pipeline import logbook, trial
from pipeline.new_folder import columns_text, families_named, file_name, headers
from pipeline.papers.report_facts import open_tanks
from pipeline.papers.visit_sheets import UNITS, sites_on
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import counted, day
from schemas import Family
from schemas.columns import Note, describe
from schemas.words import PARAMETER_TITLES

READINGS = ("ammonia", "nitrite", "nitrate", "ph", "kh", "temperature")
EXPECTED = ("ammonia", "nitrite", "nitrate", "ph", "temperature")
REST = {"water_changed": "Changed", "fish_seen": "Fish", "fish_look": "Look", "kit": "Kit", "taken": "Taken",
        "note": "Note"}  # fmt: skip
FORMS = {
    "services": "filter service", "events": "event", "tap": "tap test", "feeding": "food", "promises": "promise made",
    "noted": "alert paused until", "filters": "filter", "placements": "where a filter stands",
    "fills": "what fills a filter", "kits": "test kit", "tanks": "tank", "sites": "site",
}  # fmt: skip
# Column -> where its known ids are.
KNOWN = {
    "tank": "tank", "site": "site", "filter": "filter", "medium": "medium", "water_supply": "tap", "model": "filter_model",
}  # fmt: skip
KINDS = {"visits": "readings", "services": "filter services", "events": "events"}


def _previewed(week: Week, new: Mapping[str, bytes], columns: Mapping[str, str] | None = None) -> trial.Account:
    """Shows the account of files that are not kept yet, with what own headers mean; the same content is checked once."""
    folder = trial.with_columns(forms.folder_now(), columns or {})
    result = data.slowly(
        week, ("account", trial.stamp(folder.path), repr(columns), tuple(new.items())),
        "Checking by the same rules as a load", lambda: trial.files(folder, week.table("held"), new),
    )  # fmt: skip
    forms.account(week, result)
    return result


def _grid_frame(week: Week, sites: list[str], when: dt.date) -> pl.DataFrame:
    """One row a tank: boxes to type in, what to expect beside them."""
    titles = data.tank_titles(week)
    rows: list[dict[str, str | None]] = []
    for site in sites:
        for tank in open_tanks(week, site, when):
            ranges = at_tank.expected_ranges(week, tank["tank"], when)
            _, kit = at_tank.kits_here(week, tank["tank"], when)
            row: dict[str, str | None] = {"id": tank["tank"], "site": site, "tank": titles[tank["tank"]]}
            row |= {f"expect {name}": ranges.get(name, at_tank.NOT_KNOWN) for name in EXPECTED}
            rows.append({**row, "kit": None if kit == at_tank.NO_KIT else kit})
    boxes = [n for name in READINGS for n in ((name, f"expect {name}") if name in EXPECTED else (name,))]
    return pl.DataFrame(rows, schema=dict.fromkeys(["id", "site", "tank", *boxes, *REST], pl.String))


def _columns() -> dict[str, Any]:
    text = st.column_config.TextColumn
    columns: dict[str, Any] = {"id": None, "site": None, "tank": text("Tank", width=210, disabled=True, pinned=True)}
    for name in READINGS:
        columns[name] = text(PARAMETER_TITLES[name], width=128 if name == "temperature" else 104)
        columns[f"expect {name}"] = text("expect", width=104, disabled=True)
    for name, title in REST.items():
        columns[name] = text(title, width=220 if name == "note" else 104)
    return columns


def typed_rows(edited: pl.DataFrame, when: dt.date, by: str) -> list[dict[str, str]]:
    """The rows of the grid in which anything was typed, as rows of a visits sheet."""
    rows = []
    for row in edited.iter_rows(named=True):
        cells = {name: str(row[name] or "").strip() for name in (*READINGS, *REST)}
        if any(text for name, text in cells.items() if name not in ("kit", "taken")):
            rows.append({"date": when.isoformat(), "site": row["site"], "tank": row["id"], **cells, "by": by})
    return rows


def sites_of(week: Week, when: dt.date) -> list[str]:
    """The sites of the day, or any that are chosen."""
    names = data.sites_in_order(week)
    due = sites_on(week, when) or [site for site, _ in at_tank.route(week, when)][:1]
    return st.multiselect("Sites", list(names), default=due, format_func=names.__getitem__, key=f"grid_sites {when}",
                          placeholder="choose sites", persist_state="session", width=520)  # fmt: skip


def grid(week: Week, when: dt.date, sites: list[str]) -> None:
    """The evening's grid: typed, checked, looked at, kept."""
    if not sites:
        look.say("Choose a site, and its tanks stand here.")
        return
    look.say(f"Readings of {day(when)}: type what the sheet says, as it says it; what is not tested stays empty.")
    units = ", ".join(f"{PARAMETER_TITLES[name]} {UNITS[name]}" for name in READINGS if UNITS[name])
    look.small(f"{units}; with a kit, in the units of the kit. A change with its unit: 30% or 40 L.")
    frame = _grid_frame(week, sites, when)
    count = st.session_state.get("grid_times", 0)
    with st.form(f"grid {count}", border=False):
        edited = st.data_editor(
            frame, key=f"grid {when} {'|'.join(sites)} {count}", hide_index=True, row_height=48, placeholder="–",
            column_config=_columns(), disabled=[c for c in frame.columns if c.startswith("expect") or c == "tank"],
            alt=f"A grid to type in: {counted(frame.height, 'tank')}, a row each",
        )  # fmt: skip
        by = forms.who("enter_by", width=320)
        if st.form_submit_button("Check", type="primary"):
            st.session_state["grid_rows"] = ((when, sites), typed_rows(edited, when, by))
    checked, rows = st.session_state.get("grid_rows", (None, []))
    if checked != (when, sites):
        return
    if not rows:
        look.say("Nothing is typed yet.")
        return
    result = _previewed(week, {f"visits/entered-{when}.csv": logbook.visits_csv(rows).encode()})
    if st.button(forms.keep_text(len(result.held) + len(result.elsewhere)), type="primary", key="grid_keep"):
        with forms.show_errors():
            path = logbook.save_visits(week.folder, rows, dt.date.today())
        st.session_state["grid_times"] = count + 1
        st.session_state.pop("grid_rows", None)
        _kept([path.relative_to(week.folder).as_posix()])


def _kept(files: list[str]) -> None:
    """Loads the round anew and shows what became of the files."""
    forms.set_message([f"Kept: {', '.join(files)}."])  # a second tap would break off the load
    after = forms.week()
    mine = pl.col("file").str.replace(r"(?s), sheet .*$", "").is_in(files)
    rows, held = int(after.table("account").filter(mine)["rows_in"].sum()), after.table("held").filter(mine).height
    messages = [f"Kept: {', '.join(files)}; {counted(rows, 'row')}, in use now."]
    messages += [f"{counted(held, 'item waits', 'items wait')} under Held rows."] if held else []
    forms.set_message(messages, hand=bool(held))
    st.rerun()


def _own_columns(new: Mapping[str, bytes]) -> dict[str, str]:
    """What each unknown column of visits files is, as a person chooses; a guess stands there first."""
    asked = trial.unknown_columns(forms.folder_now(), new)
    if not asked:
        return {}
    look.section("Columns that are not known yet", "kept under [columns] in round.toml, for the next file too")
    chosen = {
        one.header: forms.column_box(one.header, one.column, trial.VISIT_COLUMNS, f"own {one.header} {n}", one.shows)
        for n, one in enumerate(asked)
    }
    with st.expander("What the columns are"):
        st.markdown(columns_text(families_named("visits")[0]))
    return chosen


def upload(week: Week) -> None:
    """CSVs from elsewhere: their account first, then they are kept as they are."""
    look.say("Choose a CSV or a spreadsheet; what would become of each row is shown before anything is kept.")
    kind = st.pills("What it holds", list(KINDS), default="visits", format_func=KINDS.__getitem__, key="upload_kind",
                    required=True) or "visits"  # fmt: skip
    count = st.session_state.get("upload_times", 0)
    given = forms.files_box(f"upload {kind} {count}")
    if not given:
        return
    new: dict[str, bytes] = {}
    for file in given:
        name = logbook.free_name(week.folder, kind, file.name)
        while f"{kind}/{name}" in new:
            name = logbook.free_name(week.folder, kind, "-again.".join(name.rsplit(".", 1)))
        if name != file.name:
            look.html("<p>“{}” would be kept as {}/{}.</p>", file.name, kind, name)
        new[f"{kind}/{name}"] = file.getvalue()
    columns = _own_columns(new) if kind == "visits" else {}
    result = _previewed(week, new, columns)
    rows, nothing = result.account["rows_in"], ""
    if rows and result.account["repeats"] == rows:
        nothing = "Every row of it is here already: there is nothing to keep."
    elif any(row["line"] == 0 and (", sheet " not in row["file"] or not result.becomes) for row in result.held):
        nothing = "A file that is held whole brings nothing in: put it right, then choose it again."
    elif not rows:
        nothing = "There is no row in it, so there is nothing to keep."
    if nothing:
        look.say(nothing)
    elif st.button(forms.keep_text(len(result.held) + len(result.elsewhere)), type="primary", key="upload_keep"):
        done: list[str] = []
        try:
            if columns:
                logbook.save_columns(week.folder, columns)
            for path, raw in new.items():
                logbook.save_upload(week.folder, kind, path.removeprefix(f"{kind}/"), raw)
                done.append(path)
        except Problem as problem:
            kept = f"Kept before that: {', '.join(done)}." if done else ""
            forms.set_message([str(problem), *([kept] if kept else [])], hand=True)
            st.rerun()
        st.session_state["upload_times"] = count + 1
        _kept(done)


def _box(week: Week, family: Family, note: Note, header: str, when: dt.date, count: int) -> str:
    """One column of the form; what was typed, as a cell of the CSV."""
    key, help_text = f"form {family.name} {header} {count}", note.description or None
    title = look.label(note.title + (f", {note.unit}" if note.unit else ""))
    if note.kind == "date":
        chosen = st.date_input(title, when if note.required else None, key=key, format="YYYY-MM-DD", help=help_text)
        return chosen.isoformat() if isinstance(chosen, dt.date) else ""
    new, words = KNOWN.get(header) == family.name, list(note.words)  # an id of the family itself is typed
    if not words and header in KNOWN and (not new or header == "water_supply"):
        places = [KNOWN[header], *(["site"] if header == "water_supply" else [])]
        words = sorted({known for place in places for known in week.table(place)[header].drop_nulls()})
    if not words:
        return st.text_input(title, key=key, help=help_text, max_chars=forms.LONGEST_WHY).strip()
    named = {"tank": data.tank_titles, "site": data.site_titles}.get(header, lambda _: {})(week)
    asked = st.query_params.get("tank") if header == "tank" else None
    return st.selectbox(
        title.removesuffix(" id"), words, index=words.index(asked) if asked in words else None, key=key, help=help_text,
        format_func=lambda word: named.get(word) or word, accept_new_options=new,
    ) or ""  # fmt: skip


def form(week: Week, when: dt.date) -> None:
    """Choose what happened, fill in its form, see what it becomes, keep it."""
    kind = st.pills(
        "What it is", list(FORMS), default="services", format_func=FORMS.__getitem__, key="form_kind", required=True
    )
    (family,) = families_named(kind or "services")
    count = st.session_state.get("form_times", 0)
    notes = [note for name, note in describe(family.model).items() if name not in ("file", "line", "state")]
    boxes = list(zip(headers(family), notes, strict=True))
    with st.form(f"form {family.name} {count}", border=False):
        row = {head: _box(week, family, note, head, when, count) for head, note in boxes}
        if st.form_submit_button("Check", type="primary"):
            st.session_state["form_row"] = (family.name, row)
    with st.expander("What the columns are"):
        st.markdown(columns_text(family))
    checked, kept = st.session_state.get("form_row", ("", {}))
    if checked != family.name:
        return
    if not any(kept.values()):
        look.say("Nothing is typed yet.")
        return
    content = logbook.rows_csv(headers(family), [kept]).encode()
    stem = family.pattern.partition("/")[0].removesuffix(".csv")
    result = _previewed(week, {f"typed.csv, sheet {stem}": content})
    if result.held:
        look.say("It is not kept as long as anything in it would be held: put it right, then check again.")
        return
    if st.button("Keep", type="primary", key="form_keep"):
        with forms.show_errors():
            if "/" in family.pattern:
                name = logbook.free_name(week.folder, stem, file_name(family, f"entered-{when}").partition("/")[2])
                done = logbook.save_upload(week.folder, stem, name, content)
            else:
                done = logbook.add_rows(week.folder, family.pattern, headers(family), [kept])
        st.session_state["form_times"] = count + 1
        st.session_state.pop("form_row", None)
        forms.set_message([f"Kept in {done.relative_to(week.folder).as_posix()}; in use now."])
        forms.week()
        st.rerun()
