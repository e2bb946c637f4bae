"""Filter book: what it says of filters and models, of holes in the book, and of hostile text."""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace

import polars as pl
import pytest
from streamlit.testing.v1 import AppTest

from dashboard import look
from pipeline import weekly
from pipeline.advise import filter_entry
from pipeline.advise.book import models
from tests.dashboard.test_pages import opened, seen, words

NBSP = "\u00a0"

BASE = {
    "sites.csv": "site,name\na,Home\n",
    "tanks.csv": "tank,site,name,net_l\nT1,a,Hall,100\n",
    "filter_models.csv": "model,kind,rated_flow_l_h\nm,canister,\n",
    "compartments.csv": "model,position,compartment,stage,medium,shape,length_mm,width_mm,depth_mm,loose_kg,source\n"
    "m,1,cup,fine,pad,box,100,100,50,,guess\nm,2,bed,biological,stone,box,100,100,100,0.5,measured by me\n"
    "m,3,top,biological,stone,box,100,100,100,,from owner\n",
    "media.csv": "medium,stage,quality,bulk_kg_l\npad,fine,0,\nstone,biological,1,0.5\n",
    "filters.csv": "filter,model,clean_flow_l_h\nF1,m,\n",
    "placements.csv": "filter,tank,from,to\nF1,T1,2020-01-01,\n",
    "fills.csv": "filter,compartment,layer,medium,mass_kg,thickness_mm,wetted,from,to\n"
    "F1,cup,1,pad,,20,,2020-01-01,\nF1,bed,1,stone,0.3,,2020-01-01,2020-01-01,\n",
}


def folder(place: Path, **changed: str) -> Path:
    for name, text in (BASE | {f"{name}.csv": text for name, text in changed.items()}).items():
        (place / name).write_text(text, encoding="utf-8")
    return place


def said(app: AppTest) -> str:
    return words(app).replace(NBSP, " ").replace("&#39;", "'")


@pytest.mark.parametrize(
    ("query", "wanted"),
    [
        ({"filter": "P02"}, "P02, on Supper room, Plumfennel (204 L net), holds 1.46 kg of media that counts"),
        ({"filter": "P02"}, "half cycle 208 L (flow is the limit), full cycle 146 L (media is the limit)"),
        ({"filter": "B04"}, "Basket 4 is empty, room for 0.98 kg of ashgrit"),
        ({"filter": "B04"}, "Back within rating on"),
        ({"filter": "P02"}, "over, whatever its quality"),
        ({"filter": "W10"}, "an internal or sponge filter does the half cycle only"),
        ({"filter": "W10"}, "If the biggest filter stops, the others carry"),
        ({"filter": "P02"}, "If this filter stops, no other is there for the half cycle"),
        ({"filter": "D28"}, "D28, on no tank,"),
        ({"filter": "T21"}, "which flatters a trickle tower"),
        ({"filter": "S14"}, "in at the left, out at the right"),
        ({"filter": "P08"}, "Put on Upper loung"),
        ({"model": "tollop-3"}, "tollop-3, filled as the book has it, holds 1.46 kg"),
        ({"model": "grubbin-4"}, "measured by me"),
    ],
)
def test_the_demo_is_told(query: dict[str, str], wanted: str, demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert wanted in said(seen(demo_logs, "filter_book", monkeypatch, **query))


def test_every_filter_and_model_of_the_demo_can_be_chosen(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    week = weekly.open_week(demo_logs)
    app = seen(demo_logs, "filter_book", monkeypatch)
    names = len(filter_entry.filters_of(week)) + len(models(week.tables, week.assumed))
    assert len(app.selectbox(key="entry_chosen").options) == names + 1 == 28 + 6 + 1


def test_choosing_another_entry_writes_the_address(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(demo_logs, "filter_book", monkeypatch, filter="P02")
    app.selectbox(key="entry_chosen").select(("model", "mast")).run()
    assert not app.exception
    assert dict(app.query_params) == {"model": "mast"}
    assert "mast, filled as the book has it" in said(app)


def test_a_question_is_answered_for_all_models_with_a_letter(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(demo_logs, "filter_book", monkeypatch)
    assert "Type the litres to be answered" in said(app)
    app.number_input(key="ask_l").set_value(250.0).run()
    text = said(app)
    # A row a model; the one that does comes first, the one with no media at all last.
    models = re.findall(r'<td role="cell"><strong>([^<]+)', text)
    assert (models[0], models[-1], len(models)) == ("grubbin-4", "nubble", 6)
    assert "no, 146 L<br><small>1.04 kg short of 2.5 kg" in text
    assert "no, 168 L<br><small>0.82 kg short of 2.5 kg" in text
    app.selectbox(key="ask_model").set_value("tollop-3").run()
    text = said(app)
    assert "For 250 L net, normally stocked, the tollop-3, filled loosely: half cycle no" in text
    assert "What would make it yes" in text
    assert "For your 250" in app.code[0].value
    app.segmented_control(key="ask_basis").set_value("gross litres").run()
    assert "of 250" in app.code[0].value


def test_all_filters_are_listed_with_names_numbers_and_dates(demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = pl.from_pandas(seen(demo_logs, "filter_book", monkeypatch).dataframe[0].value)
    assert rows.height == 28
    one = rows.filter(pl.col("Filter") == "P02").to_dicts()[0]
    assert (one["Tank"], one["Plain bioload, %"]) == ("Supper room, Plumfennel", 140)
    assert str(one["Next service"])[:4] == "2026"
    assert rows.filter(pl.col("Filter") == "D28")["Tank"].item() == "on no tank"


def test_what_the_book_does_not_know_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A flow that nobody knows, a filter without fills, media without a mass, a model without compartments."""
    logs = folder(
        tmp_path,
        tanks="tank,site,name,net_l\n" + "".join(f"T{n},a,Hall {n},100\n" for n in (1, 2, 3)),
        filter_models="model,kind,rated_flow_l_h\nm,canister,\nbare,canister,\n",
        filters="filter,model,clean_flow_l_h\nF1,m,\nF2,m,\nF3,m,\n",
        placements="filter,tank,from,to\n" + "".join(f"F{n},T{n},2020-01-01,\n" for n in (1, 2, 3)),
        fills=BASE["fills.csv"] + "F3,cup,1,pad,,,,2020-01-01,\nF3,bed,1,stone,,,,2020-01-01,\n",
    )
    text = said(opened(logs, "filter_book", monkeypatch, filter="F1"))
    assert "half cycle 120 L (by its media; flow not known), full cycle 30 L (media is the limit)" in text
    assert "flow not known" in text
    assert "empty, 30 mm of cup" in text
    assert "empty, 100 mm of top" in text
    text = said(opened(logs, "filter_book", monkeypatch, filter="F2"))
    assert "has nothing recorded inside: it can't be said what it is good for" in text
    assert "Nothing is recorded of what is in F2: it cannot be rated." in text
    assert "No fill" not in text  # its tank is told in its history
    text = said(opened(logs, "filter_book", monkeypatch, filter="F3"))
    assert "can't be rated yet. Still needed: the mass of stone in F3 bed" in text
    text = said(opened(logs, "filter_book", monkeypatch, model="bare"))
    assert "bare, filled as the book has it, has no usual media in the book" in text
    assert "Nothing is known of its layout" in text
    assert "nan" not in text.lower()
    assert "not known L" not in text


def test_markup_is_shown_as_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    evil = "<script>alert(1)</script>"
    swap = {
        name.removesuffix(".csv"): text.replace("stone", evil).replace("bed", "<b>bed</b>")
        for name, text in BASE.items()
    }
    swap["filters"] = f"filter,model,clean_flow_l_h,note\nF1,m,,{evil}\n"
    swap["tanks"] = f"tank,site,name,net_l\nT1,a,{evil},100\n"
    logs = folder(tmp_path, **swap)
    for query in ({"filter": "F1"}, {"model": "m"}):
        text = said(opened(logs, "filter_book", monkeypatch, **query))
        assert "&lt;script&gt;" in text
        for markup in ("<script", "<b>bed"):
            assert markup not in text


def test_names_of_the_book_keep_their_capitals() -> None:
    entry = SimpleNamespace(audit=(), recorded=True)
    text = look.filled("audit.html", entry=entry, spare=[("basket A", "Good <i>", 0.8), ("basket B", None, None)])
    assert "<p>Basket A is empty, room for 0.8\u00a0kg of Good &lt;i&gt;; basket B is empty.</p>" in text
