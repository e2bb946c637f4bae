"""What is not calculated again is what would come out the same: fingerprints change where records do, and nowhere else."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import derive, reuse
from pipeline.assumptions import Assumptions, built_in
from pipeline.week import Round
from schemas import Tables, empty
from schemas.tables import BASE_TABLES
from tests import small_logs
from tests.loads import checked, derived
from tests.small_folder import FIRST, HEADER, write_folder
from tests.store.sameness import assert_same_tables

WEEKS = 10
EVER = dt.date(2000, 1, 1)
TODAY = FIRST + dt.timedelta(7 * (WEEKS - 1) + 1)  # the day of the last visits
# F1 stood on T1, and stands on T2 since week 4; it was cleaned before and after it moved.
MOVED = FIRST + dt.timedelta(28)
CLEANED = FIRST + dt.timedelta(14)
BESIDES = {
    "placements.csv": f"filter,tank,from,to\nF1,T1,2024-01-01,{MOVED - dt.timedelta(1)}\nF1,T2,{MOVED},\n"
    "F2,T2,2024-01-01,\n",
    "tap.csv": "water_supply,date,nitrate,kh\nmains,2025-12-01,5,4\n",
    "feeding.csv": "tank,from,feed_g_day,protein_pct\nT1,2025-12-01,4,40\nT2,2026-02-02,3,40\n",
    "services/done.csv": f"date,tank,filter,job,note\n{CLEANED},,F1,full,dirty\n{FIRST + dt.timedelta(42)},,F1,full,\n"
    "2026-02-20,T3,,pads,\n",
    "events/seen.csv": "date,tank,event,count\n2026-02-10,T2,fish in,3\n",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = write_folder(tmp_path / "logs", weeks=WEEKS)
    for name, text in BESIDES.items():
        (place / name).write_text(text)
    return place


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> Tables:
    """What was calculated of the folder as written."""
    place = write_folder(tmp_path_factory.mktemp("reuse") / "logs", weeks=WEEKS)
    for name, text in BESIDES.items():
        (place / name).write_text(text)
    return derived(checked(place, TODAY), TODAY)


def edit(name: str, old: str, new: str) -> Callable[[Path], None]:
    def do(folder: Path) -> None:
        text = (folder / name).read_text()
        assert text.count(old) == 1, f"{name} has “{old}” {text.count(old)} times"
        (folder / name).write_text(text.replace(old, new))

    return do


def day_of(week: int, place: int = 0) -> dt.date:
    return FIRST + dt.timedelta(7 * week + place % 2)


WEEK_3 = "visits/week-03.csv"
T2_READ = f"{day_of(3, 1)},,T2,before,0,0,11"
EVERY = dict.fromkeys(("T1", "T2", "T3"), EVER)
EDITS = {
    "a reading": (
        edit(WEEK_3, f"{day_of(3)},,T1,before,0,0,11", f"{day_of(3)},,T1,before,0,0,26"),
        {"T1": day_of(3)},
    ),
    "a reading nobody could read": (
        edit(WEEK_3, f"{day_of(3)},,T1,before,0,0,11", f"{day_of(3)},,T1,before,0,0,??"),
        {"T1": day_of(3)},
    ),
    "a water change": (
        edit(WEEK_3, f"{T2_READ},7.2,5,K1,30%", f"{T2_READ},7.2,5,K1,50%"),
        {"T2": day_of(3, 1)},
    ),
    "a day typed wrong": (
        edit(WEEK_3, f"{day_of(3)},,T3", f"{day_of(3, 1)},,T3"),
        {"T3": day_of(3)},
    ),
    "a filter moved later": (
        edit("placements.csv", f"F1,T2,{MOVED}", f"F1,T2,{day_of(6)}"),
        {"T2": MOVED},
    ),
    "a filter moved to another tank, its cleanings with it": (
        edit("placements.csv", f"F1,T2,{MOVED}", f"F1,T3,{MOVED}"),
        {"T2": CLEANED, "T3": CLEANED},
    ),
    "a cleaning of a filter that moved": (
        edit("services/done.csv", f"{CLEANED},,F1,full,dirty", f"{CLEANED},,F1,full,slimy"),
        {"T1": CLEANED, "T2": CLEANED},
    ),
    "a cleaning of a tank's only filter": (
        edit("services/done.csv", "2026-02-20,T3,,pads,", "2026-02-24,T3,,pads,"),
        {"T3": dt.date(2026, 2, 20)},
    ),
    "an event": (
        edit("events/seen.csv", "2026-02-10,T2,fish in,3", "2026-02-10,T2,fish in,30"),
        {"T2": dt.date(2026, 2, 10)},
    ),
    "a feeding": (
        edit("feeding.csv", "T2,2026-02-02,3,40", "T2,2026-02-09,3,40"),
        {"T2": dt.date(2026, 2, 2)},
    ),
    "a kit": (edit("kits.csv", "0|3|11|26|47|83", "0|3|11|26|47|90"), EVERY),
    "a tap test": (edit("tap.csv", "2025-12-01,5,4", "2025-12-01,25,4"), EVERY),
    "a fill": (edit("fills.csv", "F2,basket,1,good,1.0", "F2,basket,1,good,0.5"), EVERY),
    "an assumption": (
        lambda folder: (folder / "round.toml").write_text("[assumptions]\nlitres_per_kg = 90\n"),
        EVERY,
    ),
    "nothing that is calculated with": (
        edit("sites.csv", "S2,School,mains\n", "S2,School,mains\n\n"),
        {},
    ),
}  # fmt: skip


# Edits of one load touch tanks of their own. The first of each is held against a build from nothing as well, where
# its kind of record is treated by itself: a reading, a filter that moved, a filter's cleaning, what all tanks share.
TOGETHER = (
    ("a reading", "a water change", "a day typed wrong"),
    ("a cleaning of a tank's only filter", "a reading nobody could read", "an event"),
    ("a filter moved to another tank, its cleanings with it",),
    ("a filter moved later", "nothing that is calculated with"),
    ("a cleaning of a filter that moved",),
    ("a feeding",),
    ("a kit",),
    ("a tap test",),
    ("a fill",),
    ("an assumption",),
)
REBUILT = {TOGETHER[n][0] for n in (0, 1, 2)}


def calculated(found: Tables) -> dict[tuple[str, dt.date], int]:
    return {(tank, day): mark for tank, day, mark in found["calculated"].iter_rows()}


def watch(monkeypatch: pytest.MonkeyPatch) -> list[pl.DataFrame]:
    """The requests of every calculation from now on."""
    asked: list[pl.DataFrame] = []
    real = derive.calc

    def spy(tables: Tables, requests: pl.DataFrame, assumed: Assumptions, round_: Round) -> Tables:
        asked.append(requests)
        return real(tables, requests, assumed, round_)

    monkeypatch.setattr(derive, "calc", spy)
    return asked


def test_every_edit_is_tried() -> None:
    assert sorted(name for names in TOGETHER for name in names) == sorted(EDITS)


@pytest.mark.parametrize("names", TOGETHER, ids=", ".join)
def test_after_an_edit_only_what_it_touches_is_calculated_again_and_all_is_as_if_everything_were(
    folder: Path, known: Tables, monkeypatch: pytest.MonkeyPatch, names: tuple[str, ...]
) -> None:
    before = calculated(known)
    touches: dict[str, dt.date] = {}
    for name in names:
        do, more = EDITS[name]
        do(folder)
        assert not touches.keys() & more.keys()
        touches |= more
    asked, edited = watch(monkeypatch), checked(folder, TODAY)
    found = derived(edited, TODAY, known)
    after = calculated(found)
    assert before.keys() == after.keys()
    changed = {request for request in after if after[request] != before[request]}
    assert changed == {(tank, day) for tank, day in after if tank in touches and day >= touches[tank]}
    assert set(asked[0].iter_rows()) == changed
    if names[0] in REBUILT:
        assert_same_tables(found, derived(edited, TODAY))


@pytest.mark.parametrize("look_back", [derive.LOOK_BACK_DAYS, 35])
def test_one_more_week_calculates_one_more_day(folder: Path, monkeypatch: pytest.MonkeyPatch, look_back: int) -> None:
    """Also where the logs go back further than is looked at; four weeks before, only what was paused is judged by."""
    paused = f"T1,nitrate_over_ceiling,{TODAY}\nT2,nitrate_over_ceiling,{TODAY - dt.timedelta(1)}\n"
    (folder / "noted.csv").write_text(f"tank,rule,until\n{paused}")
    older = "2025-06-02,,T1,before,0,0,11,7.2,5,K1,30%,\n2025-06-09,,T1,before,0,0,26,7.2,5,K1,30%,\n"
    (folder / "visits" / "older.csv").write_text(HEADER + older)
    monkeypatch.setattr(derive, "LOOK_BACK_DAYS", look_back)
    last = folder / "visits" / f"week-{WEEKS - 1:02}.csv"
    text = last.read_text()
    last.unlink()
    before = TODAY - dt.timedelta(7)
    known = derived(checked(folder, before), before)
    asked = watch(monkeypatch)
    last.write_text(text)
    derived(checked(folder, TODAY), TODAY, known)
    # The week before was the day of the load before.
    month = TODAY - dt.timedelta(28)
    assert set(asked[0].iter_rows()) == {("T1", month), *((tank, TODAY) for tank in ("T1", "T2", "T3"))}


# In memory: the fingerprints themselves, and what is taken from where.

SHARED_ONE = "0123456789abcdef" * 4
RECORD = st.tuples(st.sampled_from(["T1", "T2"]), st.integers(0, 30), st.sampled_from(small_logs.LADDER))
ASKS = pl.concat([small_logs.requests(*range(0, 40, 3), tank=tank) for tank in ("T1", "T2", "T3")])


def logged(records: list[tuple[str, int, float]]) -> Tables:
    readings = [small_logs.reading(day, value, tank=tank) for tank, day, value in records]
    return {**{name: empty(name) for name in BASE_TABLES}, **small_logs.small_log(readings)}


@settings(max_examples=30)
@given(records=st.lists(RECORD, max_size=12), more=RECORD)
def test_a_record_more_changes_the_fingerprints_of_its_tank_from_its_day_on(
    records: list[tuple[str, int, float]], more: tuple[str, int, float]
) -> None:
    old, new = (reuse.fingerprints(logged(rows), ASKS, SHARED_ONE) for rows in (records, [*records, more]))
    assert new.select("tank", "as_of").equals(ASKS)
    touched = (ASKS["tank"] == more[0]) & (ASKS["as_of"] >= small_logs.day(more[1]))
    assert ((old["fingerprint"] != new["fingerprint"]) == touched).all()


@settings(max_examples=20)
@given(records=st.lists(RECORD, max_size=12), data=st.data())
def test_in_whatever_order_records_and_asks_come_the_fingerprints_are_the_same(
    records: list[tuple[str, int, float]], data: st.DataObject
) -> None:
    tables = logged(records)
    order = data.draw(st.permutations(range(tables["reading"].height)))
    shuffled = {**tables, "reading": tables["reading"][list(order)]}
    backwards = reuse.fingerprints(shuffled, ASKS.reverse(), SHARED_ONE)
    assert backwards.reverse().equals(reuse.fingerprints(tables, ASKS, SHARED_ONE))


def test_what_all_tanks_share_changes_every_fingerprint() -> None:
    tables, assumed = logged([("T1", 3, 11.0)]), built_in()
    base = reuse.shared_fingerprint(tables, assumed, Round(), "code")
    assert base == reuse.shared_fingerprint(tables, assumed, Round(), "code")
    site = tables["site"].with_columns(pl.lit("W2").alias("water_supply"))
    tap = small_logs.small_log([], taps=[small_logs.tap(1, 5.0)])["tap"]
    name = next(iter(assumed))
    others = [
        reuse.shared_fingerprint({**tables, "site": site}, assumed, Round(), "code"),
        reuse.shared_fingerprint({**tables, "tap": tap}, assumed, Round(), "code"),
        reuse.shared_fingerprint(tables, assumed.with_values(**{name: assumed[name] + 1}), Round(), "code"),
        reuse.shared_fingerprint(tables, assumed, Round(name="another"), "code"),
        reuse.shared_fingerprint(tables, assumed, Round(), "other code"),
    ]
    assert len({base, *others}) == 6
    first, second = (reuse.fingerprints(tables, ASKS, shared)["fingerprint"] for shared in (base, others[0]))
    assert (first != second).all()


def test_what_is_known_is_taken_and_the_rest_calculated_in_one_go() -> None:
    """And what nobody asks for any more is left behind."""
    requests = small_logs.requests(0, 7, 14)
    asked: list[pl.DataFrame] = []

    def calc(wanted: pl.DataFrame) -> Tables:
        asked.append(wanted)
        return {name: wanted.with_columns(pl.lit(len(asked)).alias("go")) for name in reuse.REUSED}

    tables = logged([("T1", 0, 11.0), ("T1", 10, 26.0)])
    first = reuse.known_or_new(tables, requests, SHARED_ONE, None, calc)
    assert asked[0].equals(requests)
    changed = logged([("T1", 0, 11.0), ("T1", 10, 47.0)])
    second = reuse.known_or_new(changed, small_logs.requests(7, 14, 21), SHARED_ONE, first, calc)
    assert asked[1]["as_of"].to_list() == [small_logs.day(14), small_logs.day(21)]
    for name in reuse.REUSED:
        assert second[name]["as_of"].to_list() == [small_logs.day(n) for n in (7, 14, 21)]
        assert second[name]["go"].to_list() == [1, 2, 2]
