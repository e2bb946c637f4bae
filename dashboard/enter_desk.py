"""What At the tank and Held rows share: the folder as it reads now, the load after something was kept, their form.

Nothing is written here: pipeline/logbook.py writes, pipeline/trial.py says beforehand what would come of it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from contextlib import suppress
from html import escape
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard import data, look
from pipeline import trial, weekly
from pipeline.console import SAID
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import counted
from pipeline.wording import day as written_day
from schemas.words import ROW_OUTCOMES

Row = dict[str, Any]
LONGEST_WHO, LONGEST_WHY, LONGEST_VALUE = 40, 200, 60  # characters
WHO = "Who (role or initials)"
# The parts of both pages that hold something to touch: every target is 48 px high or more.
AREAS = ":is(.st-key-desk, .st-key-held, .st-key-sheets, .st-key-how)"
STYLE = f"""<style>
{AREAS} .stButton button, {AREAS} .stFormSubmitButton button, {AREAS} .stFileUploader button {{min-height: 48px;}}
{AREAS} [data-testid="stButtonGroup"] button {{min-height: 48px; min-width: 50px; border-radius: 2px;}}
{AREAS} [data-testid="stButtonGroup"] > div {{gap: 8px;}}
{AREAS} :is([data-testid="stTextInputRootElement"], [data-testid="stNumberInputContainer"], [data-testid="stDateInputField"], .react-aria-ComboBox > [role="group"]) {{min-height: 48px; align-items: center;}}
{AREAS} :is([data-testid="stTextInputRootElement"], [data-testid="stNumberInputContainer"], .react-aria-ComboBox > [role="group"]) input {{min-height: 46px;}}
{AREAS} [data-testid="stNumberInputContainer"] button {{width: 56px; min-height: 48px;}}
{AREAS} [data-testid="stExpander"] summary {{min-height: 48px;}}
.st-key-desk {{max-width: 44rem;}}
.st-key-keep button {{min-height: 52px !important;}}
[class*="st-key-held_row"] {{border-top: 1px solid {look.HAIR}; padding-top: .6rem;}}
.st-key-held_panel {{max-width: 44rem; margin-left: 16.2rem;}}
.tr .test {{display: flex; flex-wrap: wrap; justify-content: space-between; gap: 0 1rem; border-top: 1px solid {look.HAIR}; padding-top: .7rem; margin: .3rem 0 0;}}
.tr .test b {{font-weight: 600; font-size: 16px;}}
.tr .test span {{color: {look.INK2};}} .tr .test b {{color: {look.INK};}}
.tr .echo {{margin: 0 0 .3rem; color: {look.INK2};}}
.tr .echo.hand {{color: {look.HAND};}}
.tr .echo b {{color: {look.INK}; font-weight: 600;}}
.tr .became {{border-left: 3px solid {look.INK}; padding-left: .6rem; margin: .2rem 0 .8rem;}}
.tr .became.hand {{border-left-color: {look.HAND};}}
.tr .became p {{margin: 0;}}
.tr .item {{display: grid; grid-template-columns: 15rem 1fr; gap: 0 1.2rem;}}
.tr .item p {{margin: 0 0 .15rem; overflow-wrap: anywhere;}}
.tr .item .typed {{font-weight: 600;}}
@media screen and (max-width: 980px) {{
 .tr .item {{grid-template-columns: 1fr;}}
 .st-key-held_panel {{margin-left: 0;}}
 [class*="st-key-held_row"] .stElementContainer:has(.stButton), [class*="st-key-held_row"] .stButton, [class*="st-key-held_row"] button {{width: 100% !important;}}
}}
@media print {{.stButton, .stFileUploader, .stNumberInput, .stDateInput, .stForm {{display: none !important;}}}}
</style>"""


@st.cache_resource(max_entries=2, show_spinner="Reading the folder")
def _folder(folder: str, stamp: str, today: dt.date) -> trial.Folder:
    return trial.read_folder(Path(folder), today)


def folder_now() -> trial.Folder:
    """The log folder as it reads now; read anew when a file in it changes."""
    folder, _ = data.places()
    return _folder(str(folder), trial.stamp(folder), dt.date.today())


@st.cache_resource(max_entries=4, show_spinner="Loading the round")
def _loaded(folder: str, db: str, stamp: str, today: dt.date) -> bool:
    return weekly.load(Path(folder), Path(db) if db else None).new


def week() -> Week:
    """The week of the folder as it reads now: loaded first where a file has changed."""
    folder, db = data.places()
    with suppress(Problem, OSError):  # what is wrong is told where the week is opened
        _loaded(str(folder), str(db or ""), trial.stamp(folder), dt.date.today())
    return data.week()


# -- what became of it -------------------------------------------------------------------------------


def tell(sentences: Sequence[str], hand: bool = False) -> None:
    """Keeps what became of something for the run that follows."""
    st.session_state["became"] = (list(sentences), hand)


def became() -> None:
    """What became of the last thing that was kept, once."""
    told = st.session_state.pop("became", None)
    if told:
        lines = "".join(f"<p>{escape(line)}</p>" for line in told[0])
        look.html(f'<div class="became{" hand" if told[1] else ""}" role="status">{lines}</div>')


def echo(answer: trial.Answer) -> None:
    """What a cell would be taken for, at once under it."""
    if answer.says:
        first, stop, rest = answer.says.partition(". ")
        said = escape(first)
        for lead in ("read as ", "Read as "):
            said = f"{lead}<b>{said[len(lead) :]}</b>" if said.startswith(lead) else said
        said += escape(stop + rest)
        look.html(f'<p class="echo{"" if answer.good else " hand"}" role="status">{said}</p>')


def title(name: str, after: str = "", unit: str = "") -> None:
    """The line above a question: its name and unit left, what to expect right."""
    unit = f", {escape(unit)}" if unit else ""
    look.html(f'<p class="test"><span><b>{escape(name)}</b>{unit}</span><span>{escape(after)}</span></p>')


# -- the account of what is not kept yet --------------------------------------------------------------


def account_sentence(account: dict[str, Any]) -> str:
    """`5 rows: 3 accepted, 1 converted (original kept), 1 held (not used).`"""
    parts = [f"{account[name]} {SAID[name]}" for name in ROW_OUTCOMES if account[name]]
    return f"{counted(account['rows_in'], 'row')}: {', '.join(parts) or 'nothing in it'}."


def _cells(rows: Sequence[Row], words: str, heads: Sequence[str], titles: Mapping[str, str]) -> str:
    head = "".join(f'<th role="columnheader">{name}</th>' for name in heads)
    body = []
    for row in rows:
        line = f"line {row['line']}" if row["line"] else "whole file"
        title = titles.get(row["tank"] or "")
        place = f"{escape(title)}<br><small>{escape(row['file'])}, " if title else f"{escape(row['file'])}<br><small>"
        cells = [
            ("", f"{place}{line}</small>"),
            ("", f"{escape(row['column'] or 'row')} “{escape(row['text'][:200])}”"),
            ("", escape(row[words])),
        ]
        if len(heads) > len(cells):
            cells.append(("suggested", escape(row["suggestion"])) if row["suggestion"] else ("", ""))
        told = "".join(
            f'<td role="cell"{f" data-l={chr(34)}{name}{chr(34)}" if name else ""}>{cell}</td>' for name, cell in cells
        )
        body.append(f'<tr role="row">{told}</tr>')
    return (
        f'<div class="wide"><table role="table" class="ledger held"><thead role="rowgroup"><tr role="row">{head}</tr></thead>'
        f'<tbody role="rowgroup">{"".join(body)}</tbody></table></div>'
    )


def account(week: Week, told: trial.Account, shown: int = 100) -> None:
    """The account, what would be held, and what is used with a remark."""
    titles = data.tank_titles(week)
    look.say(account_sentence(told.account))
    if len(told.account["files"]) > 1:
        lines = "".join(f"<li>{escape(f['file'])}: {escape(account_sentence(f))}</li>" for f in told.account["files"])
        look.html(f"<ul>{lines}</ul>")
    for column in told.account["unknown_columns"]:
        like = f"is it {column['like']}?" if column["like"] else "it is not used."
        look.html(
            f"<p>Column “{escape(column['column'])}” in {escape(column['file'])} is not known; {escape(like)}</p>"
        )
    if told.held:
        look.section("Would be held", "not used until it is put right; the rest of each row is")
        look.html(_cells(told.held[:shown], "reason", ("Where", "As typed", "Why", "Suggested"), titles))
    if told.elsewhere:
        look.section("Would then be held too", "in files that are here already")
        look.html(_cells(told.elsewhere[:shown], "reason", ("Where", "As typed", "Why", "Suggested"), titles))
    if told.becomes:
        with st.expander(f"What {counted(len(told.becomes), 'row')} would become", expanded=len(told.becomes) <= 10):
            lines = "".join(
                f"<li>line {row['line']}: {escape(titles.get(row['tank']) or row['tank'])}, {escape(written_day(row['day'], year=True))}:"
                f" {escape(row['says'] or 'no reading')}</li>"
                for row in told.becomes
            )
            look.html(f"<ul>{lines}</ul>")
    warned = [row for row in told.remarks if row["outcome"] == "warned"]
    if warned:
        look.section("Used, and marked")
        look.html(_cells(warned[:shown], "says", ("Where", "As typed", "What is said"), titles))
    converted = [row for row in told.remarks if row["outcome"] == "converted"]
    if converted:
        with st.expander(f"{counted(len(converted), 'cell')} converted, the original kept"):
            look.html(_cells(converted[:shown], "says", ("Where", "As typed", "What is said"), titles))
    more = [len(rows) - shown for rows in (told.held, warned, converted) if len(rows) > shown]
    if more:
        look.html(f'<p class="small">{counted(sum(more), "line")} more not shown.</p>')
