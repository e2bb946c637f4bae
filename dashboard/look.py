"""Colours, type and print rules of every page. Ink was read, blue was calculated, vermillion needs a hand."""

from __future__ import annotations

from html import escape

import streamlit as st

from pipeline.week import Week
from pipeline.wording import day
from schemas.words import CAUTION_LINE

GROUND, PANEL, INK, INK2, INK3 = "#FAFBFA", "#F1F3F2", "#1C2733", "#51606B", "#78858D"
STRIP, RULE, HAIR, BLUE, HAND = "#5F6E79", "#A9B1B3", "#D5DAD8", "#0072B2", "#B24A00"
URGENT = ("act today", "this week")

CSS = f"""
<style>
.stMainBlockContainer {{max-width: 1240px; padding: 3.6rem 24px 2rem;}}
.stApp p, .stApp td, .stApp li {{text-wrap: pretty;}}
.tr, .tr td, .tr th, .tr p, .tr li {{font-size: 15px; line-height: 1.35; font-variant-numeric: tabular-nums lining-nums; color: {INK};}}
.tr .serif {{font-family: "Source Serif", serif;}}
.tr a, .tr a:visited {{color: {INK}; text-decoration-color: {RULE};}}
.tr .counts {{font-family: "Source Serif", serif; font-size: 21px; max-width: 68rem; margin: 0 0 .4rem;}}
.tr .small, .tr .small td {{font-size: 13px; color: {INK2};}}
.tr .hand {{color: {HAND}; font-weight: 600;}}
.tr h2 {{font-family: "Source Serif", serif; font-size: 19px; font-weight: 600; border-top: 1px solid {INK}; padding: .6rem 0 .2rem; margin: 1.6rem 0 .3rem;}}
.tr h2 span {{font-family: "Source Sans", sans-serif; font-size: 13px; font-weight: 400; color: {INK2}; margin-left: .6rem;}}
.tr .say {{font-family: "Source Serif", serif; font-size: 18px; max-width: 44rem; margin: .2rem 0 .6rem;}}
.tr .caution {{font-size: 13px; color: {INK2}; border-top: 1px solid {HAIR}; padding-top: .5rem; margin-top: 2rem; max-width: 62rem;}}
table.week {{border-collapse: collapse; width: 100%; table-layout: fixed; border-bottom: 1px solid {INK};}}
table.week th {{font-size: 13px; font-weight: 400; color: {INK2}; text-align: left; vertical-align: bottom; border: 0; padding: 4px 8px 4px 0;}}
table.week td, table.week tbody th {{border: 0; border-top: 1px solid {HAIR}; vertical-align: top; padding: 5px 8px 4px 0; text-align: left;}}
table.week tbody tr:first-child td {{border-top: 1px solid {INK};}}
table.week tr.loud td {{padding-top: 7px; padding-bottom: 6px;}}
table.week td small, .tr small {{font-size: 13px; color: {INK2};}}
table.week img {{display: block; max-width: 100%;}}
table.week a {{color: {INK}; font-weight: 600; text-decoration: underline; text-decoration-color: {RULE};}}
table.ledger {{border-collapse: collapse; width: 100%;}}
table.ledger td, table.ledger th {{border: 0; border-bottom: 1px solid {HAIR}; padding: 4px 10px 4px 0; text-align: left; font-size: 15px;}}
table.ledger th {{font-size: 13px; font-weight: 400; color: {INK2}; border-bottom: 1px solid {INK};}}
table.ledger td.n, table.ledger th.n {{text-align: right;}}
table.ledger tr.sum td {{font-weight: 600; border-bottom: 1px solid {INK};}} table.ledger tr.sum td small {{font-weight: 400;}}
.tr .wide {{overflow-x: auto;}}
.tr .held td {{vertical-align: top; overflow-wrap: anywhere; min-width: 5.5rem;}}
.tr ol.why {{padding-left: 1.3rem !important; margin: .4rem 0;}} .tr ol.why li {{margin-bottom: .5rem;}}
.tr .step {{border-left: 3px solid {HAND}; padding-left: .6rem; font-weight: 600; margin: .6rem 0 1rem;}}
.tr ol.events {{columns: 2; column-gap: 3rem; padding: 0 !important; margin: .3rem 0 0; list-style: none; counter-reset: square;}}
.tr ol.events li {{counter-increment: square; margin: 0 0 3px 0; padding-left: 28px; position: relative; break-inside: avoid;}}
.tr ol.events li::before {{content: counter(square); position: absolute; left: 0; top: 2px; width: 16px; height: 16px; border: 1px solid {INK}; font-size: 12px; line-height: 16px; text-align: center;}}
.vessel {{margin: .2rem 0 .4rem; position: relative;}}
.vessel ol {{display: flex; list-style: none; padding: 0 !important; margin: 0 !important;}}
.vessel li {{display: flex; margin: 0; font-size: 15px; line-height: 1.25;}}
.vessel .ways {{font-size: 13px; color: {INK}; margin: 0; min-height: 38px; padding-left: 156px;}} .vessel .ways b {{color: {BLUE}; font-weight: 400;}}
.vessel i {{position: absolute; display: block; border: 0 solid {BLUE};}}
.vessel i::after {{content: ""; position: absolute; border: 5px solid transparent;}}
.core {{flex: 0 0 104px; box-sizing: border-box; border: 0 solid {INK}; border-width: 0 1.5px; print-color-adjust: exact;}}
.vessel li.new .core {{border-top-width: 2px;}}
.vessel li:not(.new) .core {{border-top: 1px solid {INK2};}}
.vessel .words {{flex: 1; min-width: 0; padding: 3px 0 3px 34px; position: relative; border-top: 1px solid {HAIR}; font-size: 15px;}}
.vessel .words.one {{white-space: nowrap; overflow: hidden; text-overflow: ellipsis; padding-top: 1px;}}
.vessel .num {{position: absolute; left: 12px; color: {INK2};}}
.vessel .empty .words {{color: {INK2}; border-top-color: transparent;}}
.vessel .body {{position: relative;}}
.vessel .shell {{left: 0; top: 0; bottom: 0; width: 139px; border: 1.5px solid {INK}; border-top: 0; border-radius: 0 0 7px 7px; box-sizing: border-box;}}
.vessel .shell::after {{display: none;}}
.vessel.up ol {{flex-direction: column-reverse; padding-bottom: 16px !important;}}
.vessel.up li.new .core {{border-top: 0; border-bottom-width: 2px;}}
.vessel.up li .core {{margin-left: 34px; border-top: 1px solid {INK2};}}
.vessel .chan {{left: 16px; top: -38px; bottom: 8px; border-left-width: 2px;}}
.vessel .chan::after {{left: -6px; top: 45%; border-top: 8px solid {BLUE};}}
.vessel .turn {{left: 16px; bottom: 8px; width: 70px; height: 0; border-bottom-width: 2px;}}
.vessel .turn::after {{right: -5px; bottom: -2px; border-bottom: 8px solid {BLUE};}}
.vessel .out {{left: 86px; top: -34px; height: 33px; border-left-width: 2px;}}
.vessel .out::after {{left: -6px; top: -9px; border-bottom: 8px solid {BLUE};}}
.vessel.down {{padding-bottom: 30px;}}
.vessel.down ol {{flex-direction: column;}}
.vessel.down ol li:last-child .core {{border-bottom: 2px solid {INK};}}
.vessel.down .ways {{padding-left: 122px;}}
.vessel.down .in {{left: 51px; top: -36px; height: 30px; border-left-width: 2px;}}
.vessel.down .in::after, .vessel.down .off::after {{left: -6px; bottom: -9px; border-top: 8px solid {BLUE};}}
.vessel.down .off {{left: 51px; bottom: -28px; height: 24px; border-left-width: 2px;}}
.vessel.row .ways {{padding: 0; min-height: 0;}}
.vessel.row .along {{position: relative; height: 0; border-bottom-width: 2px; margin: 6px 12px 8px 0;}}
.vessel.row .along::after {{right: -12px; bottom: -6px; border-left: 8px solid {BLUE};}}
.vessel.row .bands {{display: flex; height: 88px; border-bottom: 1.5px solid {INK}; margin-bottom: .4rem;}}
.vessel.row .bands .core {{min-width: 20px; border-width: 0 0 0 1px; position: relative;}} .vessel.row .bands .core.new {{border-left-width: 2px;}} .vessel.row .bands .core:last-child {{border-right-width: 2px;}}
.vessel.row .bands span {{position: absolute; left: 0; top: 0; background: {GROUND}; font-size: 13px; line-height: 1; padding: 2px 4px;}}
.vessel.row ol {{flex-direction: column;}} .vessel.row .words {{padding-left: 20px;}} .vessel.row .num {{left: 0;}} .vessel.row li:first-child .words {{border-top: 0;}}
.core.settlement {{background: radial-gradient({INK2} 1px, transparent 1.4px) 0 0/14px 14px;}}
.core.coarse {{background: radial-gradient(transparent 3px, {INK2} 3.2px, {INK2} 4px, transparent 4.2px) 0 0/12px 12px;}}
.core.medium {{background: radial-gradient(transparent 1.6px, {INK2} 1.8px, {INK2} 2.5px, transparent 2.7px) 0 0/8px 8px;}}
.core.fine {{background: repeating-linear-gradient({INK2} 0 1px, transparent 1px 3px);}}
.core.biological {{background: radial-gradient({INK} 2.2px, transparent 2.5px) 0 0/14px 14px, radial-gradient({INK2} 1.3px, transparent 1.6px) 7px 7px/14px 14px, #E7ECEA;}}
.core.chemical {{background: repeating-linear-gradient(45deg, {INK} 0 1px, transparent 1px 5px), repeating-linear-gradient(-45deg, {INK} 0 1px, transparent 1px 5px);}}
.tr ul.plain {{list-style: none; padding: 0 !important; margin: 0;}} .tr ul.plain li {{border-top: 1px solid {HAIR}; padding: 4px 0;}} .tr ul.plain li:first-child {{border-top: 0;}} .tr ul.small li {{font-size: 13px; padding: 2px 0;}}
.tr ul.two {{columns: 2; column-gap: 3rem;}} .tr ul.two li {{break-inside: avoid; border-top: 0; border-bottom: 1px solid {HAIR};}}
.tr details > summary {{cursor: pointer; font-size: 15px;}} .tr details.group {{border-top: 1px solid {HAIR}; padding: 6px 0;}} .tr details.group table {{margin: .3rem 0 .6rem;}}
table.figs td:first-child {{width: 46%;}} table.figs td.n {{width: 16%;}} table.figs td:nth-child(3) {{width: 10%;}} table.figs td.n, table.hangs td.n {{white-space: nowrap;}}
table.hangs td:first-child {{width: 30%;}} table.hangs td:nth-child(3) {{width: 20%;}} table.hangs td:nth-child(4), table.hangs td:nth-child(5) {{width: 21%;}}
.st-key-reply pre {{background: {GROUND}; border: 1px solid {HAIR};}} .st-key-reply code {{font-family: "Source Serif", serif; font-size: 15px; line-height: 1.4;}}
@media screen and (max-width: 980px) {{
 .stMainBlockContainer {{padding: 3.6rem 16px 2rem;}}
 .tr .counts {{font-size: 19px;}}
 .tr ol.events {{columns: 1;}}
 .vessel .more {{display: none;}}
 .tr ul.two {{columns: 1;}}
 .book td.n, .figs td.n, .hangs td.n {{text-align: left !important;}} .figs td, .hangs td {{width: auto !important;}}
 .book td {{display: inline !important;}} .book td:first-child {{display: block !important; font-weight: 600;}}
 .book td:not(:first-child):not(:last-child)::after {{content: " · "; color: {INK2};}}
 table.week, table.week tbody {{display: block;}}
 table.week thead {{display: none;}}
 table.week tr {{display: grid; grid-template-columns: 168px 1fr; column-gap: 12px; border-top: 1px solid {HAIR}; padding: 8px 0;}}
 table.week tbody tr:first-child {{border-top: 1px solid {INK};}}
 table.week tr td {{border: 0 !important; padding: 0 !important;}}
 table.week td.cls {{grid-column: 2; grid-row: 1; text-align: right;}}
 table.week td.tank {{grid-column: 1; grid-row: 1;}}
 table.week td.why {{grid-column: 1 / 3;}}
 table.week td.strip {{grid-column: 1; grid-row: 3 / 8; padding-top: 4px !important;}}
 table.week td.num {{grid-column: 2;}}
 table.week td.due {{grid-column: 1 / 3;}}
 table.week td[data-l]::before {{content: attr(data-l) " "; color: {INK2}; font-size: 13px;}}
 table.week tr.quiet td.why .next {{display: none;}}
 table.week .bars {{display: none !important;}}
 .held thead {{display: none;}}
 .held, .held tbody, .held tr, .held td {{display: block;}}
 .held td {{border: 0 !important; padding: 1px 0 !important;}}
 .held tr {{border-bottom: 1px solid {HAIR}; padding: 6px 0;}}
 .held td[data-l]::before {{content: attr(data-l) " "; color: {INK2}; font-size: 13px;}}
}}
@media print {{
 header, .stAppHeader, [data-testid="stToolbar"], .stSelectbox, .stButton, .stTextInput, [data-testid="stExpander"], [data-testid="stButtonGroup"], [data-testid="stSegmentedControl"] {{display: none !important;}}
 body, .stApp {{background: white !important;}}
 .stApp, .stMain, .stAppViewContainer, .stMainBlockContainer {{position: static !important; overflow: visible !important; height: auto !important;}}
 .stMainBlockContainer {{padding: 0 !important;}}
 tr {{break-inside: avoid;}} thead {{display: table-header-group;}}
 table.week img, .core {{print-color-adjust: exact;}}
 table.week td, table.week th, .tr td small {{font-size: 10px !important;}}
}}
</style>
"""


def html(body: str) -> None:
    """A piece of page. Everything in `body` that came from a record must have been escaped."""
    st.html(f'<div class="tr">{body}</div>')


def section(title: str, after: str = "") -> None:
    html(f"<h2>{escape(title)}<span>{escape(after)}</span></h2>")


def say(sentence: str) -> None:
    html(f'<p class="say">{escape(sentence)}</p>')


def as_of_line(week: Week) -> str:
    return f"Data as of {day(week.as_of, year=True)}; loaded {day(week.loaded_on, year=True)}."


def foot(week: Week) -> None:
    """The caution line, on every page."""
    html(f'<p class="caution">{escape(as_of_line(week))} {escape(CAUTION_LINE)}</p>')
