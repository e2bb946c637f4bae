"""Filter book: what a filter or a model holds, what it is good for, and whether it will do."""

from __future__ import annotations

from html import escape

import streamlit as st

from dashboard import book_desk, data, ledgers, look
from pipeline.advise import filter_entry, fit
from pipeline.advise.filter_entry import Entry
from pipeline.papers.reply import reply_pdf
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import NBSP, number
from schemas.words import STOCKING

Choice = tuple[str, str]  # ("filter" or "model", its name)
BASES = ("net litres", "gross litres")
PILLS_MOST, COMPARED = 12, 6  # models shown as pills, and those compared before anybody chooses


def choose(titles: dict[Choice, str]) -> Choice:
    """The filter or model in the address; choosing another writes it back."""
    keys = list(titles)
    asked = next(((kind, st.query_params[kind]) for kind in ("filter", "model") if kind in st.query_params), None)

    def write() -> None:
        kind, name = st.session_state["entry_chosen"]
        st.query_params.from_dict({kind: name})

    if asked in titles:
        st.session_state["entry_chosen"] = asked
    if st.session_state.get("entry_chosen") not in titles:
        st.session_state["entry_chosen"] = keys[0]
    chosen: Choice = st.selectbox(
        "Filter or model", keys, format_func=lambda key: titles[key], key="entry_chosen", on_change=write, width=340,
        persist_state="session",
    )  # fmt: skip
    return chosen


def still_there(key: str, options: list[str]) -> None:
    """What was chosen before the book changed and is gone from it is forgotten: a widget can't show it."""
    kept = st.session_state.get(key)
    if isinstance(kept, list):
        st.session_state[key] = [name for name in kept if name in options]
    elif kept is not None and kept not in options:
        del st.session_state[key]


def the_tank(week: Week, tank: str) -> None:
    """Both ratings of the tank, with all its filters, and what they hang on."""
    layers = data.of(week.now("capacity_layer"), tank).sort("filter", "position", "layer").to_dicts()
    capacity = next(iter(data.of(week.now("capacity"), tank).to_dicts()), None)
    name = data.tank_titles(week).get(tank, tank)
    look.section("Its tank, both ratings", name)
    standing = filter_entry.standing(week, tank)
    if capacity is None or standing is None:
        look.html("<p>No sum can be made: the tank is closed on that day, or not set up yet.</p>")
        return
    look.say(standing.back)
    left, right = st.columns(2, gap="large")
    with left:
        look.html(
            "<strong>Plain rating: a common rule of thumb, disputed</strong>"
            + ledgers.plain_html(capacity, week.assumed)
        )
    with right:
        look.html("<strong>Need: what this tank asks for</strong>" + ledgers.need_html(capacity, week.assumed))
    look.html(
        "<strong>Effective media: each layer, factor by factor</strong>" + ledgers.effective_html(capacity, layers)
    )
    look.html(book_desk.hangs_html(capacity, standing))


def will_it_do(week: Week, entry: Entry) -> None:
    """Any model for so many litres: the answer, the letter, and several models side by side."""
    names = list(filter_entry.models_of(week))
    look.html('<span id="will-it-do"></span>')
    look.section("Will it do?", "a model for a tank, on paper")
    if not names:
        look.html(
            "<p>No model is in the book yet. Fill in filter_models.csv and compartments.csv, then load again.</p>"
        )
        return
    own = entry.model.name if entry.model is not None else names[0]
    net = None
    if entry.tank is not None:
        net = next(iter(data.of(week.now("capacity"), entry.tank)["net_l"].to_list()), None)
    # Another entry starts the questions anew, with its own tank's water.
    key = f"{entry.is_model}{entry.name}"
    still_there(f"ask_model_{key}", names)
    still_there("compare", names)
    first, second, third, fourth = st.columns([2, 1.2, 1.2, 2.6], vertical_alignment="bottom")
    with first:
        model = st.selectbox(
            "Model",
            names,
            index=names.index(own) if own in names else 0,
            key=f"ask_model_{key}",
            persist_state="session",
        )
    with second:
        wet = st.number_input(
            "Litres",
            min_value=1.0,
            value=net,
            step=10.0,
            format="%.0f",
            key=f"ask_l_{key}",
            persist_state="session",
            placeholder="how many?",
        )
    with third:
        flow = st.number_input(
            "Timed flow, L/h",
            min_value=1.0,
            value=None,
            step=10.0,
            format="%.0f",
            key=f"ask_flow_{key}",
            persist_state="session",
            placeholder="by the book",
        )
    with fourth:
        basis = st.segmented_control(
            "Litres are", BASES, default=BASES[0], required=True, key=f"ask_basis_{key}", persist_state="session"
        )
    stocking = st.pills("Stocking", STOCKING, default=None, key=f"ask_stock_{key}", persist_state="session")
    if wet is None:
        look.html("<p>Type the litres to be answered.</p>")
        return
    volume = {"net_l": wet} if basis == BASES[0] else {"gross_l": wet}
    try:
        answer = fit.will_it_do(week, model, stocking=stocking, flow=flow, **volume)
    except Problem as problem:
        look.say(str(problem))
        return
    look.say(book_desk.answer_sentence(answer))
    left, right = st.columns(2, gap="large")
    with left:
        look.html(book_desk.layouts_html(answer))
        look.html(book_desk.answer_html(answer))
    with right:
        look.html("<p><strong>The reply, to copy</strong></p>")
        with st.container(key="reply"):
            st.code(fit.letter(answer), language=None, wrap_lines=True)
        st.download_button(
            "The reply as PDF", data=lambda: reply_pdf(week, [answer]), file_name=f"reply-{model}-{number(answer['net_l'], 4)}-L.pdf",
            mime="application/pdf", on_click="ignore", key="reply_pdf",
        )  # fmt: skip
    look.section("Side by side", f"for {number(answer['net_l'], 4)}{NBSP}L net")
    if len(names) <= PILLS_MOST:
        several = st.pills(
            "Models",
            names,
            selection_mode="multi",
            default=names[:COMPARED],
            key="compare",
            persist_state="session",
            format_func=look.label,
        )
    else:
        several = st.multiselect("Models", names, default=names[:COMPARED], key="compare", persist_state="session")
    if several:
        look.html(book_desk.compare_html(fit.compare(week, several, stocking=stocking, net_l=answer["net_l"])))
        look.html(
            '<p class="small">Those that do come first, then the cheaper. Slack: the share of the full rating that this tank leaves free. Flow by the book.</p>'
        )


def page() -> None:
    week = data.week()
    tanks = data.tank_titles(week)
    titles: dict[Choice, str] = {
        ("filter", name): f"{name}, {tanks.get(tank, tank) if tank else 'on no tank'}"
        for name, tank in filter_entry.filters_of(week)
    }
    titles |= {("model", name): f"{name}, model of the book" for name in filter_entry.models_of(week)}
    if not titles:
        st.title("Filter book")
        look.say("The filter book is empty: no filter and no model is written down yet.")
        look.html(
            "<p>Fill in filter_models.csv, compartments.csv and media.csv for the models, then filters.csv, placements.csv"
            " and fills.csv for the filters in use, and run “tankround load”.</p>"
        )
        look.foot(week)
        return
    kind, name = choose(titles)
    entry = filter_entry.of_model(week, name) if kind == "model" else filter_entry.of_filter(week, name)
    st.title(f"Filter book: {look.label(name)}")
    net = None
    if entry.tank is not None:
        net = next(iter(data.of(week.now("capacity"), entry.tank)["net_l"].to_list()), None)
    look.html(
        f'<p class="counts">{escape(book_desk.sentence(entry, tanks.get(entry.tank or ""), net))}</p>'
        f'<p class="small">{book_desk.facts_line(entry)}</p>'
        '<p class="small">Further down: <a href="#will-it-do">Will it do?</a> with a reply to send, and models side by side.</p>'
    )
    left, right = st.columns(2, gap="large")
    with left:
        look.section("As the water meets it", entry.kind or "")
        look.html(ledgers.filter_html([entry], headed=False))
    with right:
        look.section("Is it laid out right?")
        look.html(book_desk.audit_html(entry) + book_desk.spare_html(filter_entry.spare_rooms(week, entry)))
        look.section("Without its tank", "at normal stocking")
        look.html(book_desk.alone_html(entry, week.assumed))
    if entry.is_model:
        look.section("Ways to fill it")
        look.html(book_desk.ways_html(filter_entry.ways_of(week, name)))
    elif entry.tank is not None:
        the_tank(week, entry.tank)
    look.section("Its compartments", "in flow order, and how each assumption is known")
    model = entry.model.name if entry.model is not None else ""
    known = filter_entry.rooms_known(week, model)
    look.html(
        book_desk.rooms_html(known)
        if known
        else "<p>No compartment is in the book: add them to compartments.csv in the order the water meets them.</p>"
    )
    if not entry.is_model:
        look.section("What it held", "newest first")
        look.html(book_desk.history_html(book_desk.history(week, name, tanks)))
    will_it_do(week, entry)
    look.foot(week)


page()
