"""Assumptions: every constant with value, unit and basis, what this round sets itself, and which tanks hang on which."""

from collections import Counter
from collections.abc import Sequence
from itertools import groupby

import streamlit as st

from dashboard import data, look
from pipeline.advise.hangs_on import Move, hangs_on
from pipeline.assumptions import Assumption
from pipeline.week import Week
from pipeline.wording import counted, interval, listed

OF = {"class": "class", "plain": "plain rating", "working": "working rating"}
MOST_NAMED, FEW = 3, 2  # assumptions named in the sentence; tanks named without folding them under their count


def plain_name(name: str) -> str:
    """`litres_per_kg` as a reader says it."""
    return name.replace("_", " ")


def ranked(moves: Sequence[Move], of: Sequence[str]) -> list[tuple[str, int]]:
    """Assumptions by the tanks whose word they change, most first."""
    found = Counter(assumption for assumption, _ in {(move.assumption, move.tank) for move in moves if move.of in of})
    return sorted(found.items(), key=lambda pair: (-pair[1], pair[0]))


def sentence(moves: Sequence[Move], ranged: int, tanks: int) -> str:
    """Which assumptions the classes hang on, then which the ratings."""
    if not tanks:
        return f"No tank is reviewed yet; {counted(ranged, 'assumption')} here may be off by a stated range."
    sentences = []
    for of, what in ((("class",), "class"), (("plain", "working"), "rating")):
        worst = ranked(moves, of)
        if not worst:
            sentences.append(f"No assumption, moved by its uncertainty, would change the {what} of any tank.")
            continue
        parts = [
            f"“{plain_name(name)}” by its uncertainty would change the {what} of {counted(count, 'tank')}" if not n
            else f"“{plain_name(name)}” of {count}"
            for n, (name, count) in enumerate(worst[:MOST_NAMED])
        ]  # fmt: skip
        more = len(worst) - MOST_NAMED
        rest = f"; {counted(more, 'other assumption')} of fewer" if more > 0 else ""
        sentences.append(f"Moving {listed(parts)}{rest}.")
    return " ".join(sentences)


def range_text(assumption: Assumption) -> str:
    return "–" if assumption.low is None and assumption.high is None else interval(assumption.low, assumption.high, 4)


def hanging(week: Week, moves: Sequence[Move]) -> list[data.Row]:
    """Every assumption that a class or a rating hangs on, those of classes first, with its moves by tank."""
    order = {name: n for n, (name, _) in enumerate(ranked(moves, ("class",)) + ranked(moves, ("plain", "working")))}
    by_class = {move.assumption for move in moves if move.of == "class"}
    rows = []
    for name in sorted({move.assumption for move in moves}, key=lambda n: (n not in by_class, order[n])):
        row: data.Row = {"assumption": week.assumed.assumption(name), "class_": {}, "rating": {}}
        for move in moves:
            if move.assumption == name:
                row["class_" if move.of == "class" else "rating"].setdefault(move.tank, []).append(move)
        rows.append(row)
    return rows


def listing(week: Week) -> None:
    """All assumptions by group, or those that a few letters find."""
    look.section("All assumptions", "to set one: its name = value, under [assumptions] in round.toml; then load again")
    hint = "name, unit, basis or a word of what it is"
    sought = st.text_input("Find an assumption", key="find_figure", placeholder=hint, width=340).strip().lower()
    records = week.assumed.records()
    found = [f for f in records if sought in f"{f.name} {plain_name(f.name)} {f.unit} {f.basis} {f.what}".lower()]
    if not found:
        look.html("<p>No assumption has “{}” in its name, unit, basis or words.</p>", sought)
        return
    groups = [(name, list(members)) for name, members in groupby(found, key=lambda f: f.group)]
    look.show("groups.html", groups=groups, opened=bool(sought), range_text=range_text)


def page() -> None:
    week = data.week()
    st.title("Assumptions")
    top = st.container()
    listing(week)
    records = week.assumed.records()
    own = [f.name for f in records if f.built_in is not None]
    ranged = sum(f.low is not None or f.high is not None for f in records)
    with top:
        sets = listed([plain_name(n) for n in own]) or "none"
        look.say(f"{len(records)} assumptions, {ranged} with a stated range; this round sets {sets} itself.")
        for problem in week.round.problems:
            look.html('<p class="small hand">{}</p>', problem)
        # Seconds at forty tanks, half a minute at a thousand: calculated when asked for.
        if not (st.session_state.get("hangs") or st.button("Calculate what depends on them", key="hangs_go")):
            return
        st.session_state["hangs"] = True
        moves = data.slowly(week, "moves", "Moving each assumption by its uncertainty", lambda: hangs_on(week))
        look.html(
            '<p class="counts">{}</p><p class="small">Class: the review\'s word for a tank. Rating: comfortable, within,'
            " borderline or over.</p>", sentence(moves, ranged, week.now("review").height)
        )  # fmt: skip
        if moves:
            look.section("What depends on them", "each moved alone to either end of its range, as of the same day")
            look.show("hangs.html", rows=hanging(week, moves), titles=data.tank_titles(week), of=OF, few=FEW,
                      plain_name=plain_name, range_text=range_text)  # fmt: skip


page()
