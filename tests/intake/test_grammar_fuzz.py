"""Whatever stands in a cell or a file, nothing raises, and every row is in the account."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from pathlib import Path

import polars as pl
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.assumptions import built_in
from pipeline.intake import amounts, grammar
from pipeline.intake.check import check
from pipeline.intake.files import LogFile, family_of
from pipeline.intake.sheets import read_sheets
from pipeline.week import Round
from schemas.words import DATE_ORDERS, PARAMETERS, ROW_OUTCOMES, TAKEN

FIGURES = built_in()
TODAY = dt.date(2026, 6, 15)
KIT = amounts.KitRow((0.0, 3.0, 11.0, 26.0, 47.0, 83.0), 1.0, "NO3")
STANDING = {
    "sites.csv": b"site,name,water_supply\nmill,Crumpetwell House,well\n",
    "tanks.csv": b"tank,site,name,net_l\nA1,mill,Parlour,200\nA2,mill,Lounge,120\n",
    "kits.csv": b"kit,parameter,basis,steps\nKA,nitrate,NO3,0|3|11|26|47|83\n",
}
OUTCOMES = {"accepted", "converted", "warned", "held"}

# What people type, cut into pieces and put together at random: near misses find more than noise does.
PIECES = (
    "0", "7", "7.2", "12", "26", "83", "1200", "45935", "-", "–", "<", ">", "≥", "+", ",", ".", "..", "/", "|", "(",
    ")", " ", "\u00a0", "½", "O", "l", "Oct", "may", "between ", " and ", "about ", "ca. ", "trace", "nd", "ok", "?",
    "%", "L", "gal", " imp gal", "buckets", "x", "°F", "°C", " mg/l", " NO3-N", "dKH", "=", "@", "e9", "nan", "inf",
    "٣", "²", "2026", "2026-06-01", "31/04/2026", "T25:00", "\n", "\x00", "\u202e", "🐟",
)  # fmt: skip
typed = st.one_of(st.lists(st.sampled_from(PIECES), max_size=7).map("".join), st.text(max_size=30))


def sound(cell: grammar.Cell) -> None:
    """A cell that can be told and calculated with."""
    assert cell.outcome in OUTCOMES
    if cell.held:
        assert len(cell.says) > 12
        return
    for end in (cell.low, cell.high):
        assert end is None or math.isfinite(end)
    assert cell.low is None or cell.high is None or cell.low <= cell.high


@settings(max_examples=300)
@given(text=typed)
@example("1e999")
@example("9" * 400)
@example("<½")
@example("-\u00a05")
def test_no_cell_raises(text: str) -> None:
    sound(grammar.read_quantity(text))
    sound(amounts.read_share(text, ""))
    sound(amounts.read_count(text))
    sound(amounts.read_steps(text)[1])
    sound(grammar.read_word(text, TAKEN))
    for unit in ("", "L", "kg", "°C", "weeks"):
        sound(amounts.read_number(text, unit, "", FIGURES))
    for gallon in ("", "imperial"):
        sound(amounts.read_change(text, "", FIGURES, gallon))
    for order in DATE_ORDERS:
        day = grammar.read_date(text, order, "")
        assert (day.day is None) or not day.held
        sound(day)
    sound(grammar.read_time(text))
    assert isinstance(grammar.slip_of(text), str)


@settings(max_examples=200)
@given(text=typed, parameter=st.sampled_from(PARAMETERS), unit=st.sampled_from(["", "mg/L", "NO3-N", "F", "?"]))
def test_no_reading_raises_or_ends_outside_itself(text: str, parameter: str, unit: str) -> None:
    for kit in (None, KIT):
        taken = amounts.read_reading(parameter, text, unit, kit, FIGURES)
        sound(taken)
        if taken.matched is not None:
            assert taken.low is not None
            assert math.isfinite(taken.matched)
            assert taken.low <= taken.matched + 1e-9
            assert taken.high is None or taken.matched <= taken.high + 1e-9
        else:
            assert taken.held or taken.kind == "blank"


HEADS = (
    "date,tank,nitrate,ph,kh,temperature,water_changed,note",
    "date;tank;nitrate;ph;kh;temperature;water_changed;note",
    "date\ttank\tparameter\tvalue\tunit\tkit\tnote\tby",
    "date,tank,nitrate,nitrate,ph,ph,taken,kit",
    "tank,nitrate,NO3,Temp,temperature [F],KH (mg/L),date,fish_seen",
    "date,tank",
)
FILLED = (
    "2026-06-12", "2026-06-05", "05/06/2026", "13/06/2026", "46137", "2027-01-01", "A1", "A2", "Parlour", "nobody",
    "nitrate", "ph", "before", "after", "total", "7.2", "72", "25", "26", "05-Oct", "0", "O", "30%", "50", "40 gal",
    "KA", "", "", '"', '""', '"a,b"', "ok", "=1+1", "<b>", "\x00", "½", "²",
)  # fmt: skip
row = st.lists(st.one_of(st.sampled_from(FILLED), typed), min_size=1, max_size=9)


@st.composite
def sheets(draw: st.DrawFn) -> bytes:
    """A visit sheet that is nearly right: a head, rows of nearly the right length, an encoding, an end of line."""
    head = draw(st.sampled_from(HEADS))
    mark = next(m for m in ";\t," if m in head)
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    lines = [head, *(mark.join(cells) for cells in draw(st.lists(row, max_size=8)))]
    lines = [*draw(st.lists(st.just("Visits of May"), max_size=2)), *lines]
    text = draw(st.sampled_from(["", "\ufeff"])) + end.join(lines) + draw(st.sampled_from(["", end]))
    return text.encode(draw(st.sampled_from(["utf-8", "utf-16", "cp1252", "utf-16-le"])), "replace")


def account_of(fuzz: Mapping[str, bytes]) -> pl.DataFrame:
    """The account of a folder with files of these bytes beside sound standing records; nothing is written."""
    contents = {**STANDING, **fuzz}
    files = [LogFile(path, family_of(path), "", len(data)) for path, data in contents.items()]
    read = read_sheets(Path("/nowhere"), files, contents)
    tables = check(read, Round(), FIGURES, TODAY)
    for kept in ("reading", "water_change"):
        numbers = tables[kept].select(pl.selectors.float())
        assert numbers.filter(pl.any_horizontal(~pl.all().fill_null(0).is_finite())).height == 0
    assert tables["held"].filter(pl.col("reason").str.len_chars() < 12).height == 0
    return tables["account"]


def adds_up(account: pl.DataFrame) -> None:
    assert account.filter(pl.col("rows_in") != pl.sum_horizontal(ROW_OUTCOMES)).height == 0
    assert account.filter(pl.min_horizontal(ROW_OUTCOMES) < 0).height == 0


NEARLY_RIGHT = (
    b"date,tank,nitrate,nitrate\n2026-06-12,A1,1,2\n2026-06-12,A1,1,2\n",
    b"date,tank,ph,temperature\nTotal,,25,7.2\n,,25,7.2\n",
    b'date,tank,ph\n"2026-06-12,A1,7\n',
)


@settings(max_examples=5)
@given(raw=st.lists(sheets(), min_size=3, max_size=5))
@example(list(NEARLY_RIGHT))
def test_any_visit_sheets_add_up(raw: list[bytes]) -> None:
    adds_up(account_of({f"visits/{n}.csv": sheet for n, sheet in enumerate(raw)}))


FILES = ("visits/a.csv", "tap.csv", "fills.csv", "corrections.csv")


@settings(max_examples=4)
@given(raw=st.lists(st.binary(max_size=300), min_size=4, max_size=4))
@example([b"\xff\xfe", b"\xff\xfed\x00", b"", b"\x00"])
def test_any_bytes_add_up(raw: list[bytes]) -> None:
    adds_up(account_of(dict(zip(FILES, raw, strict=True))))
