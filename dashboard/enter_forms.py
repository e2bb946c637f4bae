"""What At the tank and Held rows share: the folder as it reads now, the load after something was kept, their form.

Nothing is written here: pipeline/logbook.py writes, pipeline/trial.py says beforehand what would come of it.
"""

import datetime as dt
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from html import escape
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard import data, look
from dashboard.data import Row
from pipeline import logbook, trial, weekly
from pipeline.console import OUTCOME_TEXTS
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import counted
from schemas.words import PARAMETER_TITLES, ROW_OUTCOMES

WHO = "Who (role or initials)"
LONGEST_WHO, LONGEST_WHY, LONGEST_VALUE = 40, 200, 60  # characters
SHOWN = 100  # rows of each list of an account


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
    with suppress(Problem, OSError):  # what is wrong is shown where the week is opened
        _loaded(str(folder), str(db or ""), trial.stamp(folder), dt.date.today())
    return data.week()


def column_title(column: str | None) -> str:
    if column is None:
        return "Whole row"
    return PARAMETER_TITLES.get(column, column.replace("_", " ").capitalize())


def set_message(sentences: Sequence[str], hand: bool = False) -> None:
    """Keeps the outcome of something for the run that follows."""
    st.session_state["became"] = (list(sentences), hand)


def show_message() -> None:
    """The outcome of the last thing that was kept, once."""
    message = st.session_state.pop("became", None)
    if message:
        lines = "".join(f"<p>{escape(line)}</p>" for line in message[0])
        look.html(f'<div class="became{" hand" if message[1] else ""}" role="status">{lines}</div>')


@contextmanager
def show_errors(*lead: str) -> Iterator[None]:
    """What can't be done in here is shown as a message, on the page drawn anew."""
    try:
        yield
    except (Problem, OSError) as problem:
        set_message([f"{' '.join(lead)} {problem}".strip()], hand=True)
        st.rerun()


def who(key: str, **more: Any) -> str:
    """Who did it: a role or initials, remembered for the session."""
    return typed(WHO, key, LONGEST_WHO, shown=True, **more)


def typed(label: str, key: str, most: int, placeholder: str | None = None, shown: bool = False, **more: Any) -> str:
    """A line that is typed, kept when the page changes."""
    text = st.text_input(label, key=key, max_chars=most, placeholder=placeholder, persist_state="session",
                         label_visibility="visible" if shown else "collapsed", **more)  # fmt: skip
    return (text or "").strip()


def number_box(label: str, key: str, placeholder: str, written: str, **more: Any) -> str:
    """A number that is typed, as it is `written` in a cell; blank where nothing is."""
    value = st.number_input(label, value=None, key=key, placeholder=placeholder, label_visibility="collapsed",
                            persist_state="session", **more)  # fmt: skip
    return "" if value is None else written.format(value)


def echo(answer: trial.Answer) -> None:
    """What a cell would be taken for, at once under it."""
    if answer.says:
        first, stop, rest = answer.says.partition(". ")
        body = re.sub("^([Rr]ead as )(.*)", r"\1<b>\2</b>", escape(first), flags=re.DOTALL) + escape(stop + rest)
        look.html(f'<p class="echo{"" if answer.good else " hand"}" role="status">{body}</p>')


def title(name: str, after: str = "", unit: str = "") -> None:
    """The line above a question: its name and unit left, what to expect right."""
    unit = f", {unit}" if unit else ""
    look.html('<p class="test"><span><b>{}</b>{}</span><span>{}</span></p>', name, unit, after)


def still_there(key: str, options: Collection[str]) -> None:
    """What was chosen before its options changed, and is none of them now, is forgotten: a widget can't show it."""
    kept = st.session_state.get(key)
    if isinstance(kept, list):
        st.session_state[key] = [name for name in kept if name in options]
    elif kept is not None and kept not in options:
        del st.session_state[key]


def pills(
    label: str, options: Collection[str], key: str, *, default: str | None = None, many: bool = False,
    shown: bool = False,
) -> Any:  # fmt: skip
    """Options to tap (or option -> its words); one of them is always tapped where there is a default."""
    still_there(key, options)
    titles = options if isinstance(options, Mapping) else {}
    return st.pills(  # type: ignore[call-overload]
        label, list(options), selection_mode="multi" if many else "single", key=key, required=default is not None,
        default=None if key in st.session_state else default, format_func=lambda one: look.label(titles.get(one, one)),
        label_visibility="visible" if shown else "collapsed", persist_state="session",
    )  # fmt: skip


def account_sentence(account: dict[str, Any]) -> str:
    """`5 rows: 3 accepted, 1 converted (original kept), 1 held (not used).`"""
    parts = [f"{account[name]} {OUTCOME_TEXTS[name]}" for name in ROW_OUTCOMES if account[name]]
    return f"{counted(account['rows_in'], 'row')}: {', '.join(parts) or 'nothing in it'}."


def files_box(key: str) -> Any:
    return st.file_uploader("CSV, .xlsx or .ods", type=["csv", "xlsx", "ods"], accept_multiple_files=True, key=key,
                            max_upload_size=logbook.UPLOAD_MB)  # fmt: skip


def column_box(header: str, guess: str, allowed: Iterable[str], key: str, shows: Sequence[str] = ()) -> str:
    """What a column of somebody's sheet is, as a person chooses; the guess stands there first. Blank: not used."""
    seen = f" ({', '.join(text[:20] for text in shows)} …)" if shows else ""
    columns = list(dict.fromkeys([guess, "", *allowed]))
    named = look.label(f"“{header}”{seen}")
    return st.selectbox(named, columns, key=key, format_func=lambda word: word or "not used") or ""


def keep_text(waits: int) -> str:
    return f"Keep; {counted(waits, 'item')} will wait under Held rows" if waits else "Keep"


def account(week: Week, result: trial.Account, titles: Mapping[str, str] | None = None) -> None:
    """The account, what would be held, and what is used with a remark; `titles`: of tanks that the round lacks yet."""
    titles = titles or data.tank_titles(week)
    look.say(account_sentence(result.account))
    if len(result.account["files"]) > 1:
        lines = "".join(f"<li>{escape(f['file'])}: {escape(account_sentence(f))}</li>" for f in result.account["files"])
        look.html(f"<ul>{lines}</ul>")
    for column in result.account["unknown_columns"]:
        like = f"is it {column['like']}?" if column["like"] else "it is not used."
        text = f"Column “{column['column']}” in {column['file']} is not known; {like}"
        look.html("<p>{}</p>", text)

    def rows_of(rows: Sequence[Row], held: bool = False) -> None:
        look.show("remarks.html", rows=rows[:SHOWN], titles=titles, held=held)

    if result.held:
        look.section("Would be held", "not used until it is put right; the rest of each row is")
        rows_of(result.held, held=True)
    if result.elsewhere:
        look.section("Would then be held too", "in files that are here already")
        rows_of(result.elsewhere, held=True)
    if rows := result.becomes:
        with st.expander(f"What {counted(len(rows), 'row')} would become", expanded=len(rows) <= 10):
            look.show("becomes.html", rows=rows, titles=titles)
    warned, converted = ([row for row in result.remarks if row["outcome"] == kind] for kind in ("warned", "converted"))
    if warned:
        look.section("Used, and marked")
        rows_of(warned)
    if converted:
        with st.expander(f"{counted(len(converted), 'cell')} converted, the original kept"):
            rows_of(converted)
    if more := sum(max(len(rows) - SHOWN, 0) for rows in (result.held, result.elsewhere, warned, converted)):
        look.small(f"{counted(more, 'line')} more not shown.")
