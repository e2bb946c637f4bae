"""Forms for what a visit brings besides readings: a service, an event, a promise, a tap test, food, fills, a pause.

Each form is made from the columns of its file in `schemas`; what would become of the row is shown before it is kept.
"""

import datetime as dt

import streamlit as st

from dashboard import data, enter_sheets, look
from dashboard import enter_desk as desk
from pipeline import logbook
from pipeline.new_folder import columns_text, families_named, file_name, headers
from pipeline.week import Week
from schemas import Family
from schemas.columns import Note, describe

FORMS = {
    "services": "filter service", "events": "event", "tap": "tap test", "feeding": "food", "promises": "promise made",
    "noted": "alert paused until", "filters": "filter", "placements": "where a filter stands",
    "fills": "what fills a filter", "kits": "test kit", "tanks": "tank", "sites": "site",
}  # fmt: skip
# Column -> where its known ids are.
KNOWN = {
    "tank": "tank", "site": "site", "filter": "filter", "medium": "medium", "water_supply": "tap", "model": "filter_model",
}  # fmt: skip


def _box(week: Week, family: Family, note: Note, header: str, when: dt.date, count: int) -> str:
    """One column of the form; what was typed, as a cell of the CSV."""
    key, tells = f"form {family.name} {header} {count}", note.description or None
    title = look.label(note.title + (f", {note.unit}" if note.unit else ""))
    if note.kind == "date":
        chosen = st.date_input(title, when if note.required else None, key=key, format="YYYY-MM-DD", help=tells)
        return chosen.isoformat() if isinstance(chosen, dt.date) else ""
    new, words = KNOWN.get(header) == family.name, list(note.words)  # an id of the family itself is typed
    if not words and header in KNOWN and (not new or header == "water_supply"):
        places = [KNOWN[header], *(["site"] if header == "water_supply" else [])]
        words = sorted({known for place in places for known in week.table(place)[header].drop_nulls()})
    if not words:
        return st.text_input(title, key=key, help=tells, max_chars=desk.LONGEST_WHY).strip()
    named = {"tank": data.tank_titles, "site": data.site_titles}.get(header, lambda _: {})(week)
    asked = st.query_params.get("tank") if header == "tank" else None
    return st.selectbox(
        title.removesuffix(" id"), words, index=words.index(asked) if asked in words else None, key=key, help=tells,
        format_func=lambda word: named.get(word) or word, accept_new_options=new,
    ) or ""  # fmt: skip


def page(week: Week, when: dt.date) -> None:
    """Choose what happened, fill in its form, see what it becomes, keep it."""
    kind = st.pills(
        "What it is", list(FORMS), default="services", format_func=FORMS.__getitem__, key="form_kind", required=True
    )
    (family,) = families_named(kind or "services")
    count = st.session_state.get("form_times", 0)
    notes = [note for name, note in describe(family.model).items() if name not in ("file", "line", "state")]
    with st.form(f"form {family.name} {count}", border=False):
        row = {
            head: _box(week, family, note, head, when, count) for head, note in zip(headers(family), notes, strict=True)
        }
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
    told = enter_sheets.account_of(week, {f"typed.csv, sheet {stem}": content})
    desk.account(week, told)
    if told.held:
        look.say("It is not kept as long as anything in it would be held: put it right, then check again.")
        return
    if st.button("Keep", type="primary", key="form_keep"):
        with desk.or_told():
            if "/" in family.pattern:
                name = logbook.free_name(week.folder, stem, file_name(family, f"entered-{when}").partition("/")[2])
                done = logbook.save_upload(week.folder, stem, name, content)
            else:
                done = logbook.add_rows(week.folder, family.pattern, headers(family), [kept])
        st.session_state["form_times"] = count + 1
        st.session_state.pop("form_row", None)
        desk.tell([f"Kept in {done.relative_to(week.folder).as_posix()}; in use now."])
        desk.week()
        st.rerun()
