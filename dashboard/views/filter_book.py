"""Filter book: what a filter or a model holds, what it is good for, and whether it will do."""

import streamlit as st

from dashboard import book_forms, data, look
from dashboard import enter_forms as forms
from pipeline.advise import filter_entry, fit
from pipeline.advise.book import models
from pipeline.papers.reply import reply_pdf
from pipeline.problems import Problem
from pipeline.week import Week
from pipeline.wording import STOCKED, number
from schemas.words import STOCKING

Choice = tuple[str, str]  # ("filter" or "model", its name)
BASES = ("net litres", "gross litres")
BOOK: Choice = ("", "")  # nothing opened


def choose(titles: dict[Choice, str]) -> Choice:
    """The filter or model in the address, else the whole book; choosing another writes it back."""
    asked = next(((kind, st.query_params[kind]) for kind in ("filter", "model") if kind in st.query_params), BOOK)
    st.session_state["entry_chosen"] = asked if asked in titles else BOOK

    def write() -> None:
        kind, name = st.session_state["entry_chosen"]
        st.query_params.from_dict({kind: name} if kind else {})

    chosen: Choice = st.selectbox(
        "Filter or model", list(titles), format_func=lambda key: titles[key], key="entry_chosen", on_change=write,
        width=340, persist_state="session",
    )  # fmt: skip
    return chosen


def the_tank(week: Week, tank: str) -> None:
    capacity = week.row("capacity", tank)
    name = data.tank_titles(week).get(tank, tank)
    look.section("Its tank, both ratings", name)
    standing = filter_entry.standing(week, tank)
    if capacity is None or standing is None:
        look.html("<p>No sum can be made: the tank is closed on that day, or not set up yet.</p>")
        return
    back, hangs_on = standing
    look.say(back)
    book_forms.capacity(week, tank, capacity)
    look.show("depends.html", capacity=capacity, hangs_on=hangs_on)


def will_it_do(week: Week) -> None:
    """So many litres: all models side by side, the smallest shortfall first; then one model's answer and letter."""
    look.section("Will it do?", "every model of the book for so many litres, on paper")
    if not models(week.tables, week.assumed):
        look.html(
            "<p>No model is in the book yet. Fill in filter_models.csv and compartments.csv, then load again.</p>"
        )
        return
    first, second, third = st.columns([1.2, 2, 3.4], vertical_alignment="bottom")
    wet = first.number_input(
        "Litres", min_value=1.0, value=None, step=10.0, format="%.0f", key="ask_l", persist_state="session",
        placeholder="how many?",
    )  # fmt: skip
    basis = second.segmented_control(
        "Litres are", BASES, default=BASES[0], required=True, key="ask_basis", persist_state="session"
    )
    with third:
        stocking = st.pills("Stocking", STOCKING, default=None, key="ask_stock", persist_state="session")
    if wet is None:
        look.html("<p>Type the litres to be answered.</p>")
        return
    volume = {"net_l" if basis == BASES[0] else "gross_l": wet}
    compared = data.slowly(
        week, ("compared", stocking, basis, wet), "Asking each model",
        lambda: fit.compare(week, list(models(week.tables, week.assumed)), stocking=stocking, **volume),
    )  # fmt: skip
    answers = book_forms.by_shortfall(compared)
    look.show("compared.html", answers=answers)
    names = [answer["model"] for answer in answers]
    forms.still_there("ask_model", names)
    left, right = st.columns([2, 5], vertical_alignment="bottom")
    model = left.selectbox("The answer for", names, key="ask_model", persist_state="session")
    timed = right.number_input(
        "Timed flow, L/h", min_value=1.0, value=None, step=10.0, format="%.0f", key="ask_flow", width=200,
        persist_state="session", placeholder="by the book",
    )  # fmt: skip
    try:
        answer = fit.will_it_do(week, model, stocking=stocking, flow=timed, **volume)
    except Problem as problem:
        look.say(str(problem))
        return
    look.show("does.html", answer=answer, stocked=STOCKED, bites=book_forms.BITES)
    left, right = st.columns(2, gap="large")
    look.show("answer.html", left, answer=answer)
    with right:
        look.html("<p><strong>The reply, to copy</strong></p>")
        with st.container(key="reply"):
            st.code(fit.letter(answer), language=None, wrap_lines=True)
        st.download_button(
            "The reply as PDF", data=lambda: reply_pdf(week, [answer]), file_name=f"reply-{model}-{number(answer['net_l'], 4)}-L.pdf",
            mime="application/pdf", on_click="ignore", key="reply_pdf",
        )  # fmt: skip


def all_filters(week: Week, tanks: dict[str, str]) -> None:
    """Every filter as a list to sort; the one chosen is opened."""
    rows = book_forms.filters_table(week, tanks)
    look.section("All filters", f"{rows.height}; a click on a heading sorts, a click on a row opens its page")
    chosen = st.dataframe(
        rows, hide_index=True, placeholder="–", on_select="rerun", selection_mode="single-row", key="all_filters",
        height=min(38 + 35 * rows.height, 620), column_config=book_forms.FILTER_COLUMNS,
    )  # fmt: skip
    if chosen.selection.rows:
        st.query_params.from_dict({"filter": rows["Filter"][chosen.selection.rows[0]]})
        st.rerun()


def opened(week: Week, kind: str, name: str, tanks: dict[str, str]) -> None:
    """One filter or model: what it is good for, how it is laid out, what it held."""
    entry = filter_entry.of_model(week, name) if kind == "model" else filter_entry.of_filter(week, name)
    capacity = week.row("capacity", entry.tank or "")
    net = capacity["net_l"] if capacity else None
    look.show("entry.html", entry=entry, tank=tanks.get(entry.tank or ""), net=net, flow_text=book_forms.flow_text,
              bites=book_forms.BITES)  # fmt: skip
    left, right = st.columns(2, gap="large")
    with left:
        look.section("As the water meets it", entry.kind or "")
        book_forms.draw([entry], headed=False)
    with right:
        look.section("Is it laid out right?")
        look.show("audit.html", entry=entry, spare=filter_entry.spare_rooms(week, entry))
        look.section("Without its tank", "at normal stocking")
        look.show("alone.html", entry=entry, assumed=week.assumed, bites=book_forms.BITES)
    if entry.is_model:
        look.section("Ways to fill it")
        look.show("ways.html", ways=filter_entry.ways_of(week, name), bites=book_forms.BITES)
    elif entry.tank is not None:
        the_tank(week, entry.tank)
    look.section("Its compartments", "in flow order, and how each assumption is known")
    known = filter_entry.rooms_known(week, entry.model.name if entry.model is not None else "")
    look.show("rooms.html", rooms=book_forms.rooms(known))
    if not entry.is_model:
        look.section("What it held", "newest first")
        book_forms.history(week, name, tanks)


def page() -> None:
    week = data.week()
    tanks = data.tank_titles(week)
    titles: dict[Choice, str] = {BOOK: "the whole book"} | {
        ("filter", name): f"{name}, {tanks.get(tank, tank) if tank else 'on no tank'}"
        for name, tank in filter_entry.filters_of(week)
    }
    titles |= {("model", name): f"{name}, model of the book" for name in models(week.tables, week.assumed)}
    if len(titles) == 1:
        st.title("Filter book")
        look.say("The filter book is empty: no filter and no model is written down yet.")
        look.html(
            "<p>Fill in filter_models.csv, compartments.csv and media.csv for the models, then filters.csv, placements.csv"
            " and fills.csv for the filters in use, and run <code>tankround load</code>.</p>"
        )
        return
    heading = st.container()
    kind, name = choose(titles)
    heading.title(f"Filter book: {look.label(name)}" if kind else "Filter book")
    if kind:
        opened(week, kind, name, tanks)
    else:
        will_it_do(week)
        all_filters(week, tanks)


page()
