"""Assumptions: every constant with value, unit and basis, what this round sets itself, and which tanks hang on which."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from itertools import groupby

import streamlit as st

from dashboard import data, look
from pipeline.advise.hangs_on import Move, hangs_on
from pipeline.assumptions import Assumption
from pipeline.week import Week
from pipeline.wording import counted, interval, listed, number, with_unit

OF = {"class": "class", "plain": "plain rating", "working": "working rating"}
SAID, FEW = 3, 2  # assumptions named in the sentence; tanks named without folding them under their count


@st.cache_data(max_entries=4, show_spinner="Moving each assumption by its uncertainty")
def _moves(stamp: str, _week: Week) -> list[Move]:
    return hangs_on(_week)


def plain_name(name: str) -> str:
    """`litres_per_kg` as a reader says it."""
    return name.replace("_", " ")


def tanks_of(moves: Iterable[Move]) -> list[str]:
    return list(dict.fromkeys(move.tank for move in moves))


def ranked(moves: Sequence[Move], of: Sequence[str]) -> list[tuple[str, int]]:
    """Assumptions by the tanks whose word they change, most first."""
    found: dict[str, list[Move]] = {}
    for move in moves:
        if move.of in of:
            found.setdefault(move.assumption, []).append(move)
    counts = [(name, len(tanks_of(mine))) for name, mine in found.items()]
    return sorted(counts, key=lambda pair: (-pair[1], pair[0]))


def sentence(moves: Sequence[Move], ranged: int, tanks: int) -> str:
    """Which assumptions the classes hang on, then which the ratings."""
    if not tanks:
        return f"No tank is reviewed yet; {counted(ranged, 'assumption')} here may be off by a stated range."
    said = []
    for of, what in ((("class",), "class"), (("plain", "working"), "rating")):
        worst = ranked(moves, of)
        if not worst:
            said.append(f"No assumption, moved by its uncertainty, would change the {what} of any tank.")
            continue
        parts = [
            f"“{plain_name(name)}” by its uncertainty would change the {what} of {counted(count, 'tank')}" if not n
            else f"“{plain_name(name)}” of {count}"
            for n, (name, count) in enumerate(worst[:SAID])
        ]  # fmt: skip
        more = len(worst) - SAID
        rest = f"; {counted(more, 'other assumption')} of fewer" if more > 0 else ""
        said.append(f"Moving {listed(parts)}{rest}.")
    return " ".join(said)


def value_html(assumption: Assumption) -> str:
    said = with_unit(number(assumption.value, 7), assumption.unit)
    if assumption.built_in is None:
        return escape(said)
    return f"<strong>{escape(said)}</strong><br><small>set by this round; built in {number(assumption.built_in, 7)}</small>"


def range_said(assumption: Assumption) -> str:
    return "–" if assumption.low is None and assumption.high is None else interval(assumption.low, assumption.high, 4)


def _named(moves: Sequence[Move], titles: dict[str, str]) -> str:
    """Tanks folded under their count: `Snug, Plumfennel: working rating borderline → over at 75`."""
    tanks = tanks_of(moves)
    if not tanks:
        return "none"
    few = len(tanks) <= FEW
    lines = "".join(
        f"<li>{escape(titles.get(tank, tank))}: "
        + escape("; ".join(f"{OF[m.of]} {m.was} → {m.would} at {number(m.value)}" for m in moves if m.tank == tank))
        + "</li>"
        for tank in tanks
    )
    told = f'<ul class="plain small">{lines}</ul>'
    return told if few else f"<details><summary>{counted(len(tanks), 'tank')}</summary>{told}</details>"


def hangs_html(week: Week, moves: Sequence[Move]) -> str:
    """Every assumption with a stated range that a class or a rating hangs on, with the tanks."""
    titles = data.tank_titles(week)
    order = {name: n for n, (name, _) in enumerate(ranked(moves, ("class",)) + ranked(moves, ("plain", "working")))}
    rows = []
    for name in sorted(
        {move.assumption for move in moves},
        key=lambda n: (not any(m.assumption == n and m.of == "class" for m in moves), order[n]),
    ):
        assumption = week.assumed.assumption(name)
        mine = [move for move in moves if move.assumption == name]
        by_class = _named([m for m in mine if m.of == "class"], titles)
        by_rating = _named([m for m in mine if m.of != "class"], titles)
        rows.append(
            f'<tr role="row"><td role="cell" data-l=""><strong>{escape(plain_name(name))}</strong><br><small>{escape(assumption.what)}</small></td>'
            f'<td role="cell" data-l="now" class="n">{escape(with_unit(number(assumption.value, 7), assumption.unit))}</td>'
            f'<td role="cell" data-l="range">{escape(range_said(assumption))}<br><small>{escape(assumption.spread)}</small></td>'
            f'<td role="cell" data-l="class changes:">{by_class}</td><td role="cell" data-l="rating changes:">{by_rating}</td></tr>'
        )
    head = "".join(
        f'<th role="columnheader"{" class=n" if n == 1 else ""}>{h}</th>'
        for n, h in enumerate(("Assumption", "now", "may lie between", "class would change", "rating would change"))
    )
    return (
        f'<div class="wide"><table role="table" class="ledger held hangs"><thead role="rowgroup"><tr role="row">{head}</tr></thead>'
        f'<tbody role="rowgroup">{"".join(rows)}</tbody></table></div>'
    )


def group_html(name: str, assumed: Sequence[Assumption], opened: bool) -> str:
    """One group of assumptions, folded."""
    own = sum(f.built_in is not None for f in assumed)
    rows = "".join(
        f'<tr role="row"><td role="cell" data-l="">{escape(f.what)}<br><small>{escape(f.name)}</small></td>'
        f'<td role="cell" data-l="" class="n">{value_html(f)}</td><td role="cell" data-l="range">{escape(range_said(f))}</td>'
        f'<td role="cell" data-l="">{escape(f.basis)}{f"<br><small>range: {escape(f.spread)}</small>" if f.spread else ""}</td></tr>'
        for f in assumed
    )
    head = "".join(
        f'<th role="columnheader"{" class=n" if n == 1 else ""}>{h}</th>'
        for n, h in enumerate(("What", "value", "range", "basis"))
    )
    note = f", {own} set by this round" if own else ""
    return (
        f'<details class="group"{" open" if opened or own else ""}><summary><strong>{escape(name.capitalize())}</strong>'
        f" <small>{counted(len(assumed), 'assumption')}{note}</small></summary>"
        f'<div class="wide"><table role="table" class="ledger held figs"><thead role="rowgroup"><tr role="row">{head}</tr></thead>'
        f'<tbody role="rowgroup">{rows}</tbody></table></div></details>'
    )


def listing(week: Week) -> None:
    """All assumptions by group, or those that a few letters find."""
    look.section("All assumptions", "to set one: its name = value, under [assumptions] in round.toml; then load again")
    sought = (
        st.text_input(
            "Find an assumption", key="find_figure", placeholder="name, unit, basis or a word of what it is", width=340
        )
        .strip()
        .lower()
    )
    records = week.assumed.records()
    found = [f for f in records if sought in f"{f.name} {plain_name(f.name)} {f.unit} {f.basis} {f.what}".lower()]
    if not found:
        look.html(f"<p>No assumption has “{escape(sought)}” in its name, unit, basis or words.</p>")
        return
    groups = [(name, list(members)) for name, members in groupby(found, key=lambda f: f.group)]
    look.html("".join(group_html(name, members, bool(sought)) for name, members in groups))


def page() -> None:
    week = data.week()
    st.title("Assumptions")
    top = st.container()
    listing(week)
    look.foot(week)
    records = week.assumed.records()
    own = [f.name for f in records if f.built_in is not None]
    ranged = sum(f.low is not None or f.high is not None for f in records)
    with top:
        said = f"{len(records)} assumptions, {ranged} with a stated range; this round sets {listed([plain_name(n) for n in own]) or 'none'} itself."
        look.say(said)
        for problem in week.round.problems:
            look.html(f'<p class="small hand">{escape(problem)}</p>')
        # Seconds at forty tanks, half a minute at a thousand: calculated when asked for.
        if not (st.session_state.get("hangs") or st.button("Calculate what depends on them", key="hangs_go")):
            return
        st.session_state["hangs"] = True
        moves = _moves(data.stamp(), week)
        look.html(
            f'<p class="counts">{escape(sentence(moves, ranged, week.now("review").height))}</p>'
            '<p class="small">Class: the review\'s word for a tank. Rating: comfortable, within, borderline or over.</p>'
        )
        if moves:
            look.section("What depends on them", "each moved alone to either end of its range, as of the same day")
            look.html(hangs_html(week, moves))


page()
