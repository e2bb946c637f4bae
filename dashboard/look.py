"""Colours, type and print rules of every page. Ink was read, blue was calculated, vermillion needs a hand."""

import re
from collections.abc import Iterable
from html import escape
from pathlib import Path
from urllib.parse import parse_qsl, quote

import streamlit as st

from pipeline.week import Week
from pipeline.wording import CYCLES, day
from schemas.words import CAUTION_LINE

GROUND, INK, INK2, INK3 = "#FAFBFA", "#1C2733", "#51606B", "#78858D"
STRIP, RULE, HAIR, BLUE, HAND = "#5F6E79", "#A9B1B3", "#D5DAD8", "#0072B2", "#B24A00"
URGENT = ("act today", "this week")

CSS = Path(__file__).with_name("look.css")

OPENER = """export default function({data, setTriggerValue}) {
  const main = document.querySelector('.stMain'), key = 'tankround ' + data;
  const hear = e => { const a = e.target.closest && e.target.closest('a[data-tank]');
    if (!a || e.metaKey || e.ctrlKey || e.shiftKey || e.button) return;
    e.preventDefault(); sessionStorage.setItem(key, main.scrollTop);
    setTriggerValue('open', a.getAttribute('href')); };
  document.addEventListener('click', hear); main.dataset.listens = data;
  const was = sessionStorage.getItem(key);
  if (was) {  // the page may not be as long yet as it was: until it stays there, or a hand scrolls
    sessionStorage.removeItem(key);
    const until = Date.now() + 10000; let stays = 0;
    for (const hand of ['wheel', 'touchstart', 'keydown']) addEventListener(hand, () => { stays = 99; }, {once: true, passive: true});
    const back = () => { if (stays > 9 || Date.now() > until) return;
      if (Math.abs(main.scrollTop - was) < 2) stays += 1; else { stays = 0; main.scrollTo(0, Number(was)); }
      setTimeout(back, 100); };
    back(); }
  return () => document.removeEventListener('click', hear); }"""


def label(text: str) -> str:
    """Text of a record for a title, a tick or a button, which Streamlit reads as Markdown; choosers show it as it is."""
    escaped = re.sub(r"([!-/:-@\[-`{-~])", r"\\\1", " ".join(text.split()))
    # An unseen word joiner after these: “:name:” would still become a picture, an address a link.
    return re.sub(r"(\\[:.@])", "\\1\u2060", escaped)


def address(text: str) -> str:
    """Text as it stands in an address."""
    return quote(text, safe="")


def tank_link(tank: str, name: str) -> str:
    """A link to a tank's page; `open_on_click` makes of it a run that keeps the session."""
    return f'<a href="one_tank?tank={address(tank)}" data-tank="{escape(tank, quote=True)}" target="_self">{escape(name)}</a>'


def open_on_click(page: str, known: Iterable[str]) -> None:
    """Opens the page whose link was clicked; whoever comes back finds the page where it was scrolled to."""
    opener = st.components.v2.component("tank_opener", js=OPENER, html="<span hidden></span>", isolate_styles=False)
    heard = opener(key="opener", data=page, on_open_change=lambda: None)
    go, _, rest = (heard.open or "").partition("?")
    asked = dict(parse_qsl(rest))
    if asked.get("tank") in set(known) and go in ("one_tank", "plan", "at_the_tank", "held_rows"):
        st.switch_page(f"views/{go}.py", query_params=asked)


TOP = """export default function({data}) {
  if (window.tankroundAt !== undefined && window.tankroundAt !== data) document.querySelector('.stMain')?.scrollTo(0, 0);
  window.tankroundAt = data; }"""


def begin_at_the_top(place: str) -> None:
    """Another place than the one shown before begins at its first line; the same one stays where it was scrolled to."""
    st.components.v2.component("begin_at_the_top", js=TOP, html="<span hidden></span>")(key="at_top", data=place)


def shown(key: str, step: int) -> int:
    """How many rows of a long list are on the page so far."""
    return int(st.session_state.get(key, step))


def more(key: str, total: int, step: int) -> None:
    """The button that shows a part more of a long list."""
    most = shown(key, step)
    if total > most and st.button(f"Show {min(step, total - most)} more of {total}", key=f"more {key}"):
        st.session_state[key] = most + step
        st.rerun()


def html(body: str) -> None:
    """A piece of page. Everything in `body` that came from a record must have been escaped."""
    st.html(f'<div class="tr">{body}</div>')


def section(title: str, after: str = "") -> None:
    html(f"<h2>{escape(title)}<span>{escape(after)}</span></h2>")


def coded(text: str) -> str:
    """Text as HTML; what stands in `backticks` is typed in a terminal, and shown so."""
    return re.sub("`([^`]+)`", r"<code>\1</code>", escape(text))


def say(sentence: str) -> None:
    html(f'<p class="say">{coded(sentence)}</p>')


def tab(page: str, title: str) -> None:
    """The browser tab's title: what is shown, then the page."""
    st.set_page_config(page_title=f"{title} · {page}")


def as_of_line(week: Week) -> str:
    return f"Data as of {day(week.as_of, year=True)}; loaded {day(week.loaded_on, year=True)}."


def foot(week: Week) -> None:
    """The caution line, on every page."""
    html(f'<p class="caution">{escape(as_of_line(week))} {escape(CYCLES)} {escape(CAUTION_LINE)}</p>')
