"""The page Plan: options, water, what-if, and proposals that go on to Papers; what is not known; hostile text."""

from __future__ import annotations

import json
from html import unescape
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from pipeline import weekly
from pipeline.advise.plan import plan
from tests.dashboard.test_filter_book_page import BASE, NBSP, folder
from tests.dashboard.test_pages import opened, seen


def raw(app: AppTest) -> str:
    return " ".join(piece.proto.body for piece in app.get("html"))


def said(app: AppTest) -> str:
    return unescape(raw(app)).replace(NBSP, " ")


def ran(app: AppTest) -> AppTest:
    app.run()
    assert not app.exception, [e.message for e in app.exception]
    return app


def cells(app: AppTest, label: str) -> list[str]:
    """The cells of a line of the what-if: today, what if."""
    table = next(piece.proto.body for piece in app.get("html") if "ledger sides" in piece.proto.body)
    row = next(row for row in unescape(table).replace(NBSP, " ").split("<tr>") if row.startswith(f"<td>{label}"))
    return [part.split("</span>")[0].rpartition(">")[2] for part in row.split('<td class="n">')[1:]]


# -- what it says ------------------------------------------------------------------------------------


def test_a_tank_over_its_rating_is_told_the_cheapest_way_and_every_option(
    demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = said(seen(demo_logs, "plan", monkeypatch, tank="LM2"))
    found = plan(weekly.open_week(demo_logs), "LM2")
    assert "It is at 223 % today. Cheapest way within (3.74): Feed 50 % less" in text
    places = [
        text.index(f"{n}. {option['changes'][0]['says']}".replace(NBSP, " "))
        for n, option in enumerate(found["options"], 1)
    ]
    assert places == sorted(places)
    assert len(places) == 11
    assert "6 dearer options" in text
    for cell in ("167 → 119 → 84 %", "Sun 11 October", "0.80 a year", "1534 L", "price of mast not in round.toml",
                 "no: keeps nitrate under the limit instead", "whether the fish can do with less"):  # fmt: skip
        assert cell in text
    assert "Change 17 % (34 L) every 7 days to stay under 50 mg/L" in text


@pytest.mark.parametrize(
    ("tank", "wanted"),
    [
        ("LM1", "Within its rating: nothing needs doing."),
        ("LM1", "None is needed. The sliders below show how much room there is."),
        ("LM4", "It comes within its rating on Wed 1 July"),
        ("TC1", "leave it, and go by its nitrate"),
        ("TC2", "By all readings of half a year it levels off near 48.6 mg/L: Change 22 %"),
        ("HS1", "No big change here: KH 0.9 dKH and pH 5.6"),
        ("HS1", "Act today: "),
        ("HS1", "does not level off: no changes"),
        ("MD2", "half cycle only"),
        ("SS4", "are enough to stay under 50 mg/L"),
        ("SL1", "Nitrate is not rising: the limit asks for no change."),
    ],
)
def test_each_standing_has_its_words(tank: str, wanted: str, demo_logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = seen(demo_logs, "plan", monkeypatch, tank=tank)
    assert wanted in said(app).replace("<strong>", "").replace("</strong>", "")
    assert "NaN" not in said(app)
    assert " nan" not in said(app)


def test_the_address_chooses_the_tank_and_choosing_writes_it_back(
    demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(demo_logs, "plan", monkeypatch, tank="TC3")
    assert app.title[0].value.replace("\\", "") == "Plan: Reading nook, Ottersage Court"
    app.selectbox(key="plan_chosen").select("LM2")
    ran(app)
    assert app.query_params["tank"] in ("LM2", ["LM2"])
    assert app.title[0].value.replace("\\", "") == "Plan: Supper room, Plumfennel"
    app = opened(demo_logs, "plan", monkeypatch, tank="<b>none</b>")
    assert app.title[0].value.replace("\\", "") == "Plan: Waiting area, Mossthimble Surgery"


# -- what if -----------------------------------------------------------------------------------------


def test_a_slider_changes_the_column_beside_today_and_only_that(
    demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(demo_logs, "plan", monkeypatch, tank="LM2")
    assert "Nothing is moved yet: both columns are today." in said(app)
    assert cells(app, "Working bioload now") == ["223 %", "223 %"]
    app.slider(key="what feed LM2").set_value(0.85)
    ran(app)
    assert app.number_input(key="type feed LM2").value == 0.85
    assert cells(app, "Working bioload now") == ["223 %", "113 %"]
    assert cells(app, "Nitrate the food makes") == ["13 (11–17)", "6.5 (5.5–8.4)"]
    app.number_input(key="type media LM2").set_value(1.0)
    ran(app)
    assert app.slider(key="what media LM2").value == 1.0
    assert cells(app, "Plain bioload") == ["140 %", "83 %"]
    assert cells(app, "Working bioload now") == ["223 %", "113 %"]
    assert cells(app, "… when mature") == ["223 %", "67 %"]
    assert cells(app, "Within its rating")[0] == "never"
    assert "Cost: 17. Time: 30 min once" in said(app)
    app.slider(key="what share LM2").set_value(25)
    app.number_input(key="type days LM2").set_value(14)
    ran(app)
    assert cells(app, "Water a year") == ["1534 L", "1330 L"]
    assert "Change 25 % (51 L) every 14 days instead of 14 % every 7 days." in said(app)
    app.button(key="what_back").click()
    ran(app)
    assert "Nothing is moved yet" in said(app)
    assert app.slider(key="what feed LM2").value == 1.68


def test_a_slider_back_where_it_was_is_today_and_sliders_keep_their_place_for_each_tank(
    demo_logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(demo_logs, "plan", monkeypatch, tank="SS1")
    today = app.slider(key="what days SS1").value
    app.slider(key="what days SS1").set_value(today + 2)
    ran(app)
    assert "Nothing is moved yet" not in said(app)
    app.slider(key="what days SS1").set_value(today)
    ran(app)
    assert "Nothing is moved yet" in said(app)
    app.slider(key="what share SS1").set_value(30)
    ran(app)
    app.selectbox(key="plan_chosen").select("LM3")
    ran(app)
    assert "Nothing is moved yet" in said(app)
    app.selectbox(key="plan_chosen").select("SS1")
    ran(app)
    assert app.slider(key="what share SS1").value == 30


def test_food_that_is_not_weighed_gives_the_stocking_class_instead_and_a_closed_tank_has_no_plan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tanks = "tank,site,name,net_l,set_up,closed\nT1,a,Hall,100,,\nT2,a,Bay,100,2019-01-01,2020-05-01\n"
    app = opened(folder(tmp_path, tanks=tanks), "plan", monkeypatch, tank="T1")
    assert not [one for one in app.slider if "Food" in one.label]
    assert cells(app, "Working bioload now") == ["333 %", "333 %"]
    pills = app.button_group(key="what stock T1")
    pills.set_value("light")
    ran(app)
    assert cells(app, "Working bioload now") == ["333 %", "200 %"]
    assert cells(app, "Nitrate the food makes") == ["food not weighed", "food not weighed"]
    app.selectbox(key="plan_chosen").select("T2")
    assert "Closed, or not set up yet, on that day: nothing to plan." in said(ran(app))


# -- proposals ---------------------------------------------------------------------------------------


def keep(app: AppTest, by: str = "keeper") -> AppTest:
    app.text_input(key="keep_by").set_value(by)
    ran(app)
    app.button(key="keep_proposal").click()
    return ran(app)


def test_an_option_is_kept_ticked_on_papers_and_printed_and_can_be_withdrawn(
    logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = keep(opened(logs, "plan", monkeypatch, tank="LM2"))
    (path,) = (logs / "proposals").glob("*.json")
    record = json.loads(path.read_text("utf-8"))
    assert (record["tank"], record["by"], record["costs"]) == ("LM2", "keeper", [{"amount": 0.8, "per": "year"}])
    assert f"Kept: proposals/{path.name} in the log folder" in said(app)
    assert "No report says it until it is ticked on Papers." in said(app)
    assert "Kept of this tank" in said(app)
    app.button(key="keep_proposal").click()
    assert "It was kept already" in said(ran(app))
    assert len(list((logs / "proposals").iterdir())) == 1

    plain = "We change about a fifth of the water each week."
    papers = opened(logs, "papers", monkeypatch, site="plumfennel")
    box = papers.checkbox(key=f"proposal {path.name}")
    assert not box.value
    assert plain not in said(papers)
    box.check()
    text = said(ran(papers))
    assert "found no room" not in text
    papers.button_group(key="paper_sheet").set_value("LM2")
    text = said(ran(papers))
    assert plain in text
    assert "A small sum; we quote first." in text
    papers.button(key="issue_it").click()
    ran(papers)
    issued = json.loads(next((logs / "issued").rglob("report.json")).read_text("utf-8"))
    (sheet,) = [sheet for sheet in issued["content"]["sheets"] if sheet["tank"] == "LM2"]
    assert any(item["text"].startswith(plain) for item in sheet["suggest"])
    assert "mg/L" not in " ".join(item["text"] for item in sheet["suggest"])

    app = opened(logs, "plan", monkeypatch, tank="LM2")
    app.button(key=f"withdraw {path.name}").click()
    assert "Withdrawn." in said(ran(app))
    assert "Kept of this tank" not in said(app)
    assert "withdrawn_on" in path.read_text("utf-8")
    assert not [
        one for one in opened(logs, "papers", monkeypatch, site="plumfennel").checkbox if "proposal" in (one.key or "")
    ]


def test_the_what_if_is_offered_first_and_kept_with_both_its_costs(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = opened(logs, "plan", monkeypatch, tank="LM1")
    assert "There is nothing to keep yet: move a slider above." in said(app)
    app.number_input(key="type media LM1").set_value(0.5)
    app.number_input(key="type share LM1").set_value(25)
    ran(app)
    assert [one.replace(NBSP, " ") for one in app.selectbox(key="keep_which LM1").options] == [
        "The what-if: Add 0.5 kg of new ashgrit to B01, after fine. Change 25 % (53 L) every 7 days instead of"
        " 19 % every 7 days."
    ]
    keep(app)
    record = json.loads(next((logs / "proposals").glob("*.json")).read_text("utf-8"))
    assert [(cost["amount"], cost["per"]) for cost in record["costs"]] == [(8.5, "once"), (2.29, "year")]
    assert record["plain"].endswith("We change about a quarter of the water each week.")
    assert "8.50 and 2.29 a year" in said(app)


def test_nothing_is_kept_without_a_role_nor_by_looking_and_each_option_is_kept_beside_it(
    logs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = keep(opened(logs, "plan", monkeypatch, tank="LM2"), by="  ")
    assert "Not kept: Say who proposes it" in said(app)
    app.button(key="keep_option 2").click()
    assert "Not kept: " in said(ran(app))
    assert not (logs / "proposals").exists()
    (logs / "proposals").write_text("in the way")
    assert "Not kept:" in said(keep(app))
    (logs / "proposals").unlink()
    app.button(key="keep_option 2").click()
    assert "Kept: proposals/" in said(ran(app))
    assert len(list((logs / "proposals").glob("*.json"))) == 1


def test_a_damaged_proposal_is_said_on_both_pages(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (logs / "proposals").mkdir()
    (logs / "proposals" / "LM2-2026-06-01-1.json").write_text("{")
    for page, query in (("plan", {"tank": "LM2"}), ("papers", {"site": "plumfennel"})):
        assert "proposals/LM2-2026-06-01-1.json can't be read as a proposal" in said(
            opened(logs, page, monkeypatch, **query)
        )


def test_more_ticks_than_a_sheet_has_room_for_are_said(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = keep(opened(logs, "plan", monkeypatch, tank="LM2"))
    for n in (2, 3, 4, 5):
        app.selectbox(key="keep_which LM2").set_value(n)
        app.button(key="keep_proposal").click()
        ran(app)
    papers = opened(logs, "papers", monkeypatch, site="plumfennel")
    boxes = [box for box in papers.checkbox if (box.key or "").startswith("proposal")]
    assert len(boxes) == 5
    for box in boxes:
        box.check()
    assert "found no room on its sheet" in said(ran(papers))


# -- what is missing -----------------------------------------------------------------------------------


def test_a_tank_with_nothing_known_says_what_it_needs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "sites.csv").write_text("site,name\na,Home\n")
    (tmp_path / "tanks.csv").write_text("tank,site,name\nT1,a,Hall\n")
    app = opened(tmp_path, "plan", monkeypatch, tank="T1")
    text = said(app)
    for wanted in (
        "No plan yet: it needs",
        "Write it down in tanks.csv",
        "No media can be added here",
        "Can't size a change",
    ):
        assert wanted in text
    assert cells(app, "Working bioload now") == cells(app, "… when mature") == ["not known", "not known"]


def test_a_tank_over_with_no_way_within_is_told_to_hold_its_nitrate(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sponge only, and no other model in the book: nothing does the full cycle."""
    logs = folder(
        tmp_path,
        filter_models="model,kind,rated_flow_l_h\nm,internal,\n",
        compartments="model,position,compartment,stage,medium\nm,1,block,biological,drum foam\n",
        media="medium,stage,quality,bulk_kg_l\ndrum foam,biological,0,\n",
        fills="filter,compartment,layer,medium,mass_kg,from,to\nF1,block,1,drum foam,,2020-01-01,\n",
    )
    text = said(opened(logs, "plan", monkeypatch, tank="T1"))
    assert "No change or combination in the book brings it within its rating" in text
    assert "Keep it as half cycle: hold its nitrate by water changes, below" in text


def test_markup_is_shown_as_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    evil = "<script>alert(1)</script>"
    swap = {
        name.removesuffix(".csv"): text.replace("stone", evil).replace("F1", "<i>F1</i>") for name, text in BASE.items()
    }
    swap["tanks"] = f"tank,site,name,net_l\nT1,a,{evil},100\n"
    logs = folder(tmp_path, **swap)
    app = opened(logs, "plan", monkeypatch, tank="T1")
    app.number_input(key="type media T1").set_value(0.5)
    ran(app)
    app = keep(app, "<u>me</u>")
    assert "Kept:" in said(app)
    assert "&lt;script&gt;" in raw(app)
    for markup in ("<script", "<i>F1", "<u>me"):
        assert markup not in raw(app)
