"""Held rows: what is not used, where it stands, why, and what is suggested."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

import streamlit as st

from dashboard import data, look
from pipeline.telling import counted
from pipeline.tellings import held_rows


def _row(row: Mapping[str, Any]) -> str:
    """One held item; everything in it was typed by somebody, so everything is escaped."""
    where = f"line {row['line']}" if row["line"] else "whole file"
    what = f"{row['column']} “{row['text']}”" if row["column"] else f"whole row: {row['text']}"
    cells = (
        f"{escape(row['file'])}<br><small>{where}{', tank ' + escape(row['tank']) if row['tank'] else ''}</small>",
        escape(what),
        escape(row["reason"]),
        escape(row["suggestion"] or "–"),
    )
    labels = ("", "typed", "", "suggested")
    body = "".join(f'<td role="cell" data-l="{name}">{cell}</td>' for name, cell in zip(labels, cells, strict=True))
    return f'<tr role="row">{body}</tr>'


def page() -> None:
    week = data.week()
    st.title("Held rows")
    rows = held_rows(week)
    if not rows:
        look.say("Nothing is held: every row that was typed is in use.")
    else:
        look.say(
            f"{counted(len(rows), 'item')} held. Nothing of it is used until it is put right, and nothing else waits for it."
        )
        head = "".join(
            f'<th role="columnheader">{name}</th>' for name in ("Where", "As typed", "Why it is held", "Suggested")
        )
        look.html(
            f'<div class="wide"><table role="table" class="ledger held"><thead role="rowgroup"><tr role="row">{head}</tr></thead><tbody role="rowgroup">{"".join(map(_row, rows))}</tbody></table></div>'
        )
        st.write(
            "To put one right, add a row to corrections.csv: file, line, column, was (as typed), now (a value, `accept` or"
            " `reject`), by, on, why; then load again."
        )
    look.foot(week)


page()
