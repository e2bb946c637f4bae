"""The week that the pages show: loaded once, shared by all sessions, read anew when the warehouse changes."""

import datetime as dt
import os
from collections.abc import Callable
from html import escape
from pathlib import Path
from typing import Any, TypeVar

import streamlit as st

from pipeline import weekly
from pipeline.problems import Problem
from pipeline.store import warehouse as store
from pipeline.week import Week
from pipeline.wording import in_currency

T = TypeVar("T")
Row = dict[str, Any]


def places() -> tuple[Path, Path | None]:
    """The log folder and the warehouse's own place, as the command handed them over."""
    db = os.environ.get("TANKROUND_DB", "")
    return Path(os.environ.get("TANKROUND_LOGS", "logs")), Path(db) if db else None


@st.cache_resource(max_entries=2, show_spinner="Reading the round")
def _week(folder: str, db: str, stamp: str, as_of: dt.date) -> Week:
    return weekly.open_week(Path(folder), as_of=as_of, db=Path(db) if db else None)


def as_of() -> dt.date:
    """The day that is shown: the one the command handed over, else today."""
    given = os.environ.get("TANKROUND_AS_OF", "")
    return dt.date.fromisoformat(given) if given else dt.date.today()


def week() -> Week:
    """The week; a sentence and a stop where it cannot be read."""
    folder, db = places()
    try:
        stamp = str(store.stamp(weekly.warehouse_of(folder, db)))
        found = _week(str(folder), str(db or ""), stamp, as_of())
        in_currency(found.round.business.get("currency", ""))  # of this run's own thread
        return found
    except Problem as problem:
        st.title("The round can't be shown")
        st.html(f"<p>{escape(str(problem))}</p>")
        st.stop()


def stamp() -> str:
    """Changes whenever the warehouse does: the key of whatever a page keeps."""
    folder, db = places()
    return f"{folder} {as_of()} {store.stamp(weekly.warehouse_of(folder, db))}"


def tank_names(week: Week) -> dict[str, str]:
    """Tank id -> its name, else its id."""
    return {tank: name or tank for tank, name in week.table("tank").select("tank", "name").iter_rows()}


def tank_titles(week: Week) -> dict[str, str]:
    """Tank id -> `Lounge, Holm Oak`."""
    sites = dict(week.table("site").select("site", "name").iter_rows())
    rows = week.table("tank").select("tank", "name", "site").iter_rows()
    return {tank: f"{name or tank}, {sites.get(site) or site}" for tank, name, site in rows}


def ranked_titles(week: Week) -> dict[str, str]:
    """The same in the week's order; closed tanks last."""
    titles = tank_titles(week)
    ranked = [tank for tank in week.now("review").sort("rank")["tank"] if tank in titles]
    return {tank: titles[tank] for tank in [*ranked, *titles]}


def site_titles(week: Week) -> dict[str, str]:
    """Site id -> its name, in the order of the names."""
    return dict(sorted(sites_in_order(week).items(), key=lambda row: row[1].casefold()))


def sites_in_order(week: Week) -> dict[str, str]:
    """Site id -> its name, in the order of sites.csv."""
    rows = week.table("site").sort("file", "line").select("site", "name").iter_rows()
    return {site: name or site for site, name in rows}


def slowly(week: Week, key: object, text: str, make: Callable[[], T]) -> T:
    """What takes its time, made once for a week; `text` says so meanwhile."""

    def made() -> T:
        with st.spinner(text):
            return make()

    return week.kept(key, made)
