"""Colours, type and print rules of every page. Ink was read, blue was calculated, vermillion needs a hand."""

import re
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, quote

import streamlit as st
from markupsafe import Markup

from pipeline.markup import templates
from pipeline.week import Week
from pipeline.wording import CYCLES, day
from schemas.words import CAUTION_LINE

GROUND, INK, INK2, INK3 = "#FAFBFA", "#1C2733", "#51606B", "#78858D"
STRIP, RULE, BLUE, HAND = "#5F6E79", "#A9B1B3", "#0072B2", "#B24A00"
URGENT = ("act today", "this week")

HERE = Path(__file__).parent
TEMPLATES = templates(HERE / "templates")
CSS = HERE / "look.css"


def label(text: str) -> str:
    """Text of a record for a title, a tick or a button, which Streamlit reads as Markdown; choosers show it as it is."""
    escaped = re.sub(r"([!-/:-@\[-`{-~])", r"\\\1", " ".join(text.split()))
    # An unseen word joiner after these: “:name:” would still become a picture, an address a link.
    return re.sub(r"(\\[:.@])", "\\1\u2060", escaped)


def address(text: str) -> str:
    return quote(text, safe="")


def tank_link(tank: str, name: str) -> Markup:
    """A link to a tank's page; `open_on_click` makes of it a run that keeps the session."""
    link = Markup('<a href="one_tank?tank={}" data-tank="{}" target="_self">{}</a>')
    return link.format(address(tank), tank, name)


def _script(name: str, **more: Any) -> Any:
    """A component that shows nothing: the script of this name beside this file."""
    return st.components.v2.component(
        name, js=(HERE / f"{name}.js").read_text("utf-8"), html="<span hidden></span>", **more
    )


def open_on_click(page: str, known: Iterable[str]) -> None:
    """Opens the page whose link was clicked; whoever comes back finds the page where it was scrolled to."""
    heard = _script("open_on_click", isolate_styles=False)(key="opener", data=page, on_open_change=lambda: None)
    go, _, rest = (heard.open or "").partition("?")
    asked = dict(parse_qsl(rest))
    if asked.get("tank") in set(known) and go in ("one_tank", "plan", "at_the_tank", "held_rows"):
        st.switch_page(f"views/{go}.py", query_params=asked)


def begin_at_the_top(place: str) -> None:
    """Another place than the one shown before begins at its first line; the same one stays where it was scrolled to."""
    _script("begin_at_the_top")(key="at_top", data=place)


def shown(key: str, step: int) -> int:
    """How many rows of a long list are on the page so far."""
    return int(st.session_state.get(key, step))


def more(key: str, total: int, step: int) -> None:
    """The button that shows a part more of a long list."""
    most = shown(key, step)
    if total > most and st.button(f"Show {min(step, total - most)} more of {total}", key=f"more {key}"):
        st.session_state[key] = most + step
        st.rerun()


def html(body: str, *texts: object, place: Any = st, **more: Any) -> None:
    """A piece of page: HTML of our own, or of a template; each text stands in it escaped, where it has braces."""
    place.html(f'<div class="tr">{Markup(body).format(*texts) if texts else body}</div>', **more)


def filled(name: str, **data: Any) -> str:
    """A piece of page from a template, where every text is escaped."""
    return TEMPLATES.get_template(name).render(**data)


def show(name: str, place: Any = st, **data: Any) -> None:
    html(filled(name, **data), place=place)


def section(title: str, after: str = "") -> None:
    html("<h2>{}<span>{}</span></h2>", title, after)


def coded(text: str) -> str:
    """Text as HTML; what stands in `backticks` is typed in a terminal, and shown so."""
    return re.sub("`([^`]+)`", r"<code>\1</code>", escape(text))


def _line(kind: str, written: Callable[[str], str], text: str) -> None:
    html(f'<p class="{kind}">{written(text)}</p>')


# Lines of text: a sentence; what needs a hand; the sentence at the head of a page; what stands small.
say, wrong = (partial(_line, kind, coded) for kind in ("say", "hand"))
counts, small = (partial(_line, kind, escape) for kind in ("counts", "small"))


def chosen_of(
    name: str, label: str, titles: Mapping[str, str], key: str, place: Any = st, keep: Any = "session", **more: Any
) -> str:
    """A chooser whose choice stands in the address as `name`, so that a link, a reload or coming back finds it; what the
    address asks for and is no choice is passed over."""
    asked = st.query_params.get(name)
    if asked in titles:
        st.session_state[key] = asked
    elif st.session_state.get(key) not in titles:
        st.session_state[key] = next(iter(titles))

    def write() -> None:
        st.query_params.pop(name, None)
        if st.session_state[key]:
            st.query_params[name] = st.session_state[key]

    chosen: str = place.selectbox(label, list(titles), format_func=titles.__getitem__, key=key, on_change=write,
                                  persist_state=keep, **more)  # fmt: skip
    return chosen


def as_of_line(week: Week) -> str:
    return f"Data as of {day(week.as_of, year=True)}; loaded {day(week.loaded_on, year=True)}."


def foot(week: Week) -> None:
    html('<p class="caution">{} {} {}</p>', as_of_line(week), CYCLES, CAUTION_LINE)
