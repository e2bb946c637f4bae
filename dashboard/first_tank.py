"""A round without tanks: its first one by a form, or all of them from a spreadsheet, on whichever page is opened."""

import csv
import io
from dataclasses import replace

import streamlit as st

from dashboard import data, look
from dashboard import enter_forms as forms
from pipeline import from_sheet, logbook, trial
from pipeline.intake.headers import FAMILY, OF_TANKS
from pipeline.new_folder import headers
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import counted

ORDERS = {"day-first": "day first: 3 April is 03/04", "month-first": "month first: 3 April is 04/03"}
KNOWN_BY = {"gross_l": "of the glass, as it was sold", "net_l": "of water, measured by filling"}
NEXT = "Next: enter readings under At the tank; what else would help most is named below the counts of This week."


def _keep(week: Week, made: from_sheet.Made) -> None:
    folder = trial.with_columns(forms.folder_now(), made.columns)
    folder = replace(folder, round=replace(folder.round, date_order=made.date_order))
    new = {}
    for name, text in made.files.items():  # beside what is there already under the same name
        kind, inside, own = name.rpartition("/")
        free = f"{kind}/{logbook.free_name(week.folder, kind, own)}" if inside else f"new.csv, sheet {own[:-4]}"
        new[free] = text.encode()
    result = trial.files(folder, week.table("held"), new)
    named = {row["tank"]: row["name"] or row["tank"] for row in csv.DictReader(io.StringIO(made.files["tanks.csv"]))}
    forms.account(week, result, titles=named)
    if st.button(forms.keep_text(len(result.held)), type="primary", key="first_keep"):
        with forms.show_errors():
            logbook.begin(week.folder, made.files, made.columns, made.date_order)
        st.session_state.pop("first_made", None)
        forms.set_message([f"Kept: {made.says[0]}", NEXT])
        forms.week()
        st.rerun()


def _typed(week: Week) -> None:
    sites = data.site_titles(week)
    with st.form("first tank", border=False):
        left, middle, right = st.columns(3)
        if sites:
            site = left.selectbox("Site", list(sites), format_func=sites.__getitem__, key="first_site")
        else:
            site = left.text_input("Site", key="first_site", max_chars=forms.LONGEST_VALUE).strip()
        tank = middle.text_input("Tank", key="first_name", max_chars=forms.LONGEST_VALUE).strip()
        litres = right.number_input("Litres", value=None, min_value=0.0, format="%g", key="first_litres")
        known = st.pills("Litres", KNOWN_BY, default="gross_l", format_func=KNOWN_BY.__getitem__, key="first_known",
                         required=True, label_visibility="collapsed") or "gross_l"  # fmt: skip
        if st.form_submit_button("Check"):
            if not (site and tank and litres):
                st.session_state.pop("first_made", None)
                look.wrong("Type a site, a tank and its litres first.")
                return
            row = {"tank": "T01", "site": site if sites else "S1", "name": tank, known: f"{litres:g}"}
            files = {"tanks.csv": logbook.rows_csv(headers(FAMILY["tank"]), [row])}
            if not sites:
                files["sites.csv"] = logbook.rows_csv(headers(FAMILY["site"]), [{"site": "S1", "name": site}])
            where = sites.get(site, site)
            st.session_state["first_made"] = from_sheet.Made(files, {}, "iso", False, [f"{tank}, {where}."])
    if made := st.session_state.get("first_made"):
        _keep(week, made)


def _from_spreadsheet(week: Week) -> None:
    given = forms.files_box("first_file")
    if not given:
        return
    try:
        tables = [table for file in given for table in from_sheet.tables_in(file.name, file.getvalue())]
        named = given[0].name if len(given) == 1 else counted(len(given), "file")
        guesses, allowed = from_sheet.guessed(tables), ("name", *OF_TANKS, *trial.VISIT_COLUMNS)
        with st.expander("What each column is"):
            is_ = [forms.column_box(one.header, one.column, allowed, f"first {one.header} {n}")
                   for n, one in enumerate(guesses)]  # fmt: skip
        chosen = {one.header: to for one, to in zip(guesses, is_, strict=True) if to != one.column}
        made = from_sheet.made_of(named, tables, chosen=chosen)
    except Problem as problem:
        look.wrong(str(problem))
        return
    if made.two_ways:
        order = st.pills("Dates are typed", ORDERS, format_func=ORDERS.__getitem__, key="first_order")
        if order is None:
            look.say("Dates in it can be read in two ways: say how they are typed.")
            return
        made = replace(made, date_order=order, says=made.says[:1])
    look.html("".join(f"<p>{look.coded(text)}</p>" for text in made.says))
    _keep(week, made)


def offer(week: Week) -> None:
    """A round has no tanks: says so, and offers to write them down."""
    forms.show_message()
    look.say("No tanks are on this round yet. Begin with one, or with the spreadsheet that you keep.")
    shut = logbook.closed(week.folder)
    if shut:
        look.wrong(shut)
    else:
        with st.container(key="sheets"):
            look.section("One tank", "its readings, filter and food come after it")
            _typed(week)
            if not week.table("site").height:
                look.section("A spreadsheet", "its columns are guessed and shown before anything is kept")
                _from_spreadsheet(week)
    look.html(f'<p class="small">{look.coded("Or fill in sites.csv and tanks.csv, then run `tankround load`.")}</p>')
