"""Files read together say what each says on its own."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.intake import sheets as local
from pipeline.intake.files import LogFile, family_of
from pipeline.intake.sheets import FILE, ISSUE, UNKNOWN, Read, Sheets, read_file, read_sheets
from pipeline.intake.structure import Clean

NOWHERE = Path("/nowhere")
HEADS = (
    "date,tank,nitrate,kit,note",
    "date,tank,nitrate (mg/L),ph,Colour",
    "date,tank,parameter,value,kit",
    "date,tank,nitrate,NO3,,",
    "date,nitrate",
)
CELLS = (
    "2026-06-12", "A1", "nitrate", "5", "7.2", "", "", "total", " a", "a\u00a0", "\u00a0", "é", "tank",
    "ok; fed, twice", "\t", 'said "no"', "two\nlines", "NA",
)  # fmt: skip
SOUND = "date,tank,nitrate,kit,note\n2026-06-12,A1,5,KA,\n2026-06-12,A2,10,KA,fed\n"


@st.composite
def sheet(draw: st.DrawFn, head: str, separator: str, end: str) -> bytes:
    """A visit sheet: mostly sound, some with lines above, blank, short or long, with totals, or in another encoding."""
    names = head.split(",")
    cells = CELLS if draw(st.booleans()) else CELLS[:8]
    keyed = st.tuples(
        st.just("2026-06-12"), st.sampled_from(["A1", "A2"]), *[st.sampled_from(cells)] * (len(names) - 2)
    )
    loose = st.lists(st.sampled_from(cells), min_size=len(names), max_size=len(names)).map(tuple)
    blank, totals = st.just(("",) * len(names)), st.just(("", "", "25", *[""] * 3)[: len(names)])
    body = draw(st.lists(st.one_of(keyed, keyed, loose, blank, totals), max_size=6))
    text = io.StringIO()
    writer = csv.writer(
        text, delimiter=separator, lineterminator=end, quoting=draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]))
    )
    writer.writerows([*draw(st.lists(st.just(("Visits of May",)), max_size=1)), names, *body])
    odd = draw(st.sampled_from(["", "", "", "\n", "2026-06-12\n", 'a 5" tank\n', separator * 9 + "x\n", "\x00"]))
    mark = draw(st.sampled_from(["", "", "\ufeff"]))
    encoding = draw(st.sampled_from(["utf-8", "utf-8", "utf-8", "cp1252", "utf-16"]))
    return (mark + text.getvalue() + odd).encode(encoding, "replace")


@st.composite
def folders(draw: st.DrawFn) -> list[bytes]:
    """Some sheets, most of them of one form."""
    usual = (draw(st.sampled_from(HEADS)), draw(st.sampled_from(",,;\t")), draw(st.sampled_from(["\n", "\r\n"])))
    other = (draw(st.sampled_from(HEADS)), draw(st.sampled_from(",;")), draw(st.sampled_from(["\n", "\r\n"])))
    forms = draw(st.lists(st.sampled_from([usual, usual, usual, other]), min_size=2, max_size=6))
    return [draw(sheet(*form)) for form in forms]


def files_of(contents: dict[str, bytes]) -> list[LogFile]:
    return [LogFile(path, family_of(path), f"hash of {path}", len(raw)) for path, raw in contents.items()]


def each_alone(files: Sequence[LogFile], contents: dict[str, bytes]) -> Sheets:
    """The same files, each read as if there were no other, laid under each other."""
    read = [read_file(NOWHERE, file, contents[file.path]) for file in files]
    frames: dict[str, list[pl.DataFrame]] = {}
    for one in read:
        if one.frame is not None:
            frames.setdefault(one.name, []).append(one.frame)
    return Sheets(
        {name: pl.concat(parts, how="diagonal") for name, parts in frames.items()},
        pl.DataFrame([issue for one in read for issue in one.issues], schema=ISSUE),
        pl.DataFrame([one.info for one in read], schema=FILE),
        pl.DataFrame([strange for one in read for strange in one.unknown], schema=UNKNOWN),
    )


def assert_same(one: Sheets, other: Sheets) -> None:
    assert list(one.frames) == list(other.frames)
    for name, frame in one.frames.items():
        assert_frame_equal(frame, other.frames[name])
    assert_frame_equal(one.issues, other.issues)
    assert_frame_equal(one.files, other.files)
    assert_frame_equal(one.unknown, other.unknown)


@settings(max_examples=150)
@given(raws=folders())
@example(raws=[SOUND.encode(), SOUND.replace("fed", " fed").encode()])  # one tidy, one not
@example(raws=[SOUND.replace("fed", "fed ").encode(), SOUND.encode()])
@example(raws=[SOUND.encode(), (SOUND + " ,,,,\n").encode()])  # a blank line in one of them
@example(raws=[(SOUND + ",,,,\n").encode(), SOUND.encode()])
@example(raws=[b"date,tank,x\ndate,tank,nitrate", SOUND.encode()])  # the better header is the last line, without an end
def test_files_read_together_say_what_each_says_alone(raws: list[bytes]) -> None:
    contents = {f"visits/{place}.csv": raw for place, raw in enumerate(raws)}
    files = files_of(contents)
    assert_same(read_sheets(NOWHERE, files, contents), each_alone(files, contents))


@pytest.fixture
def together(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """Which files were split together and came out of it."""
    seen: list[list[str]] = []
    real = local._read_together

    def spy(files: Sequence[LogFile], looked: Sequence[Clean]) -> list[Read] | None:
        read = real(files, looked)
        if read:
            seen.append([file.path for file in files])
        return read

    monkeypatch.setattr(local, "_read_together", spy)
    return seen


def read(contents: dict[str, str]) -> Sheets:
    raws = {path: text.encode() for path, text in contents.items()}
    return read_sheets(NOWHERE, files_of(raws), raws)


def test_files_of_one_form_are_split_together_and_any_other_alone(together: list[list[str]]) -> None:
    """The comparison above would prove nothing if files never came together, or odd ones were among them."""
    sheets = read(
        {
            "visits/1.csv": SOUND,
            "visits/2.csv": "\ufeff" + SOUND,
            "visits/3.csv": "Visits of May\n" + SOUND.replace("fed", '"fed, twice"'),
            "visits/4.csv": SOUND.replace("\n", "\r\n"),
            "visits/5.csv": SOUND.replace(",", ";"),
            "visits/6.csv": SOUND + "2026-06-12,A3\n",
            "visits/7.csv": SOUND,
            "visits/8.csv": SOUND.replace("tank", "tonk"),
            "visits/9.csv": SOUND,
        }
    )
    assert together == [[f"visits/{n}.csv" for n in run] for run in ([1, 2, 3], [4], [5], [7], [9])]
    assert sheets.files["rows_in"].to_list() == [2, 2, 2, 2, 2, 3, 2, 2, 2]
    lines = sheets.frames["visit"].group_by("file", maintain_order=True).agg("line", "note")
    assert lines.rows()[:4] == [
        ("visits/1.csv", [2, 3], ["", "fed"]),
        ("visits/2.csv", [2, 3], ["", "fed"]),
        ("visits/3.csv", [3, 4], ["", "fed, twice"]),
        ("visits/4.csv", [2, 3], ["", "fed"]),
    ]


def test_what_is_told_of_files_read_together_names_the_right_one(together: list[list[str]]) -> None:
    sums = SOUND + ",,15,,\n"  # a totals line only where it is the last of its file
    blank = SOUND.replace("A1,5,KA", "A1,5,")
    sheets = read({"visits/1.csv": SOUND + ",,15,,\n" + SOUND[27:], "visits/2.csv": sums, "visits/3.csv": blank})
    assert together == [["visits/1.csv", "visits/2.csv", "visits/3.csv"]]
    told = sheets.issues.select("file", "line", "fault").rows()
    assert told == [
        ("visits/1.csv", 0, "no kit"),
        ("visits/2.csv", 4, "totals line"),
        ("visits/3.csv", 0, "no kit"),
    ]
    assert sheets.frames["visit"].group_by("file", maintain_order=True).len()["len"].to_list() == [5, 2, 2]
    assert sheets.files["rows_in"].to_list() == [5, 3, 2]


def test_columns_that_are_blank_everywhere_are_looked_at_in_every_file(together: list[list[str]]) -> None:
    """Blank in all files they are passed over; a cell filled in one sends each through on its own."""
    spare = SOUND.replace("\n", ",\n")
    assert read({"visits/1.csv": spare, "visits/2.csv": spare}).issues.height == 0
    assert together == [["visits/1.csv", "visits/2.csv"]]
    sheets = read({"visits/1.csv": spare, "visits/2.csv": spare.replace("fed,", "fed,more")})
    assert together == [["visits/1.csv", "visits/2.csv"]], "no more than before"
    assert sheets.issues.select("file", "line", "fault").rows() == [
        ("visits/2.csv", 2, "too many fields"),
        ("visits/2.csv", 3, "too many fields"),
    ]


def test_a_batch_ends_where_it_is_full_or_another_family_begins() -> None:
    sizes = {
        "visits/1.csv": local.BATCH - 1,
        "visits/2.csv": 1,
        "visits/3.csv": 1,
        "tap.csv": 1,
        "services/4.csv": 3 * local.BATCH,
    }
    files = [LogFile(path, family_of(path), "", size) for path, size in sizes.items()]
    batches = [[file.path for file in batch] for batch in local._batches(files)]
    assert batches == [["visits/1.csv", "visits/2.csv"], ["visits/3.csv"], ["tap.csv"], ["services/4.csv"]]
    assert list(local._batches([])) == []
