"""Ragged, wrong-encoded and hostile CSVs, as bytes. `K` stands for the case's own tank id, `mark-K-n` for row n.

A mark must be found again after a load: in a visit that was kept, or in the text of something held.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

HEAD = "date,tank,nitrate,ph,note\n"
MEG = 1024 * 1024


def good(n: int) -> str:
    """One row that nothing is wrong with."""
    return f"2026-05-{n:02d},K,16,7.3,mark-K-{n}\n"


GOOD = "".join(good(n) for n in (4, 11, 18))


@dataclass(frozen=True)
class Case:
    """`data(tank)` are the bytes; `rows` is what the account must say came in, where that is beyond doubt."""

    name: str
    data: Callable[[str], bytes]
    marks: tuple[int, ...] = ()
    rows: int | None = None
    kept: tuple[int, ...] = ()  # marks that must end in a visit, not among the held


def _text(
    name: str,
    text: str,
    marks: tuple[int, ...] = (),
    rows: int | None = None,
    kept: tuple[int, ...] = (),
    enc: str = "utf-8",
) -> Case:
    return Case(name, lambda tank: text.replace("K", tank).encode(enc), marks, rows, kept)


def _raw(name: str, make: Callable[[bytes], bytes], marks: tuple[int, ...] = (), rows: int | None = None) -> Case:
    """Bytes made from a good sheet."""
    return Case(name, lambda tank: make((HEAD + GOOD).replace("K", tank).encode()), marks, rows)


ALL = (4, 11, 18)
CASES: tuple[Case, ...] = (
    # -- nothing or hardly anything in it ------------------------------------------------------------
    _text("empty", "", (), 0),
    _text("header-only", HEAD, (), 0),
    _text("header-no-newline", HEAD.strip(), (), 0),
    _text("blank-lines", "\n\n \n,,,,\n\r\n", ()),
    _text("good", HEAD + GOOD, ALL, 3, ALL),
    _text("no-last-newline", (HEAD + GOOD).strip(), ALL, 3, ALL),
    _text("blank-lines-between", HEAD + good(4) + "\n\n" + good(11) + "  \n" + good(18), ALL, None, ALL),
    # -- encodings -----------------------------------------------------------------------------------
    _text("bom", "\ufeff" + HEAD + GOOD, ALL, 3, ALL),
    _text("bom-twice", "\ufeff\ufeff" + HEAD + GOOD, ALL),
    _text("utf16-le-bom", "\ufeff" + HEAD + GOOD, ALL, 3, ALL, "utf-16-le"),
    _text("utf16-be-bom", "\ufeff" + HEAD + GOOD, ALL, 3, ALL, "utf-16-be"),
    _text("utf16-no-bom", HEAD + GOOD, ALL, None, (), "utf-16-le"),
    _text("utf16-odd-byte", "\ufeff" + HEAD + GOOD + "x", ALL, None, (), "utf-16-le"),
    _text("utf32", "\ufeff" + HEAD + GOOD, ALL, None, (), "utf-32-le"),
    _text("cp1252", HEAD + "2026-05-04,K,16,7.3,mark-K-4 25 °C ½ “ok”\n" + good(11), (4, 11), 2, (4, 11), "cp1252"),
    _raw("undefined-in-cp1252", lambda b: b.replace(b",16,", b",16\x81\x8d,"), ALL),
    _raw("utf8-cut-short", lambda b: b + "2026-05-25,T,16,7.3,½".encode()[:-1], ALL),
    _raw("lone-surrogate", lambda b: b + b"2026-05-25,T,16,7.3,\xed\xa0\x80\n", ALL),
    _raw("ebcdic", lambda b: b.decode().encode("cp500"), ALL),
    # -- lines ---------------------------------------------------------------------------------------
    _raw("cr-only", lambda b: b.replace(b"\n", b"\r"), ALL, 3),
    _raw("crlf", lambda b: b.replace(b"\n", b"\r\n"), ALL, 3),
    _text("mixed-ends", HEAD.strip() + "\r\n" + good(4).strip() + "\r" + good(11) + good(18), ALL),
    _text(
        "newline-in-cell", HEAD + '2026-05-04,K,16,7.3,"mark-K-4\nsecond\r\nthird"\n' + good(11), (4, 11), 2, (4, 11)
    ),
    _text("ten-mb-line", HEAD + good(4) + "2026-05-11,K,16,7.3,mark-K-11 " + "x" * (10 * MEG) + "\n" + good(18), ALL),
    _text("ten-mb-no-newline", "a" * (10 * MEG)),
    _text(
        "five-thousand-columns", "date,tank,note" + ",x" * 5000 + "\n2026-05-04,K,mark-K-4" + "," * 5000 + "\n", (4,)
    ),
    _text("five-thousand-commas", HEAD + good(4) + "," * 5000 + "\n" + good(11), (4, 11)),
    # -- quotes --------------------------------------------------------------------------------------
    _text("quote-never-closed", HEAD + good(4) + '2026-05-11,K,16,7.3,"mark-K-11\n' + good(18), ALL, None, (4,)),
    _text("quote-in-header", '"date,tank,nitrate,ph,note\n' + GOOD, ALL),
    _text("stray-quote", HEAD + '2026-05-04,K,16,7.3,5" tank mark-K-4\n' + good(11), (4, 11)),
    _text("quote-then-text", HEAD + '2026-05-04,K,"16"x,7.3,mark-K-4\n' + good(11), (4, 11), None, (11,)),
    _text("all-quoted", HEAD + '"2026-05-04","K","16","7.3","mark-K-4"\n' + good(11), (4, 11), 2, (4, 11)),
    _text("single-quotes", HEAD + "'2026-05-04','K','16','7.3','mark-K-4'\n" + good(11), (4, 11), 2, (11,)),
    # -- shape ---------------------------------------------------------------------------------------
    _text("short-row", HEAD + "2026-05-04,K\n" + good(11), (11,), 2, (11,)),
    _text("long-row", HEAD + "2026-05-04,K,16,7,3,mark-K-4\n" + good(11), (4, 11), 2, (11,)),
    _text("surplus-everywhere", HEAD + good(4).strip() + ",,\n" + good(11).strip() + ",,\n", (4, 11), 2),
    _text("separator-line", "sep=,\n" + HEAD + GOOD, ALL),
    _text("title-above", "Visits in May,,,,\n,,,,\n" + HEAD + GOOD, ALL),
    _text("totals-below", HEAD + GOOD + "total,,48,,mark-K-99\n", (*ALL, 99), 4, ALL),
    _text("header-again", HEAD + good(4) + HEAD + good(11), (4, 11), 3, (4, 11)),
    _text("twice-a-column", "date,tank,nitrate,nitrate,note\n2026-05-04,K,16,27,mark-K-4\n", (4,)),
    _text("twice-the-date", "date,date,tank,note\n2026-05-04,2026-05-05,K,mark-K-4\n", (4,)),
    _text("no-date-column", "tank,nitrate,note\nK,16,mark-K-4\nK,16,mark-K-11\n", (4, 11), 2),
    _text("no-tank-column", "date,nitrate,note\n2026-05-04,16,mark-K-4\n", (4,), 1),
    _text("no-header", GOOD, ALL),
    _text("unknown-columns", "date,tank,colour,=1+1,note\n2026-05-04,K,blue,2,mark-K-4\n", (4,), 1, (4,)),
    _text("nameless-columns", "date,tank,,,note\n2026-05-04,K,a,b,mark-K-4\n", (4,)),
    _text("one-column", "nonsense\nmark-K-4\nmark-K-11\n", (4, 11)),
    _text("bars", HEAD.replace(",", "|") + GOOD.replace(",", "|"), ALL),
    _text("tabs", HEAD.replace(",", "\t") + GOOD.replace(",", "\t"), ALL, 3, ALL),
    _text("semicolons", "date;tank;nitrate;ph;note\n2026-05-04;K;16;7,2;mark-K-4\n", (4,), 1, (4,)),
    _text("mixed-separators", HEAD + good(4) + good(11).replace(",", ";"), (4, 11), 2, (4,)),
    _text(
        "spaces-round", " Date , TANK ,Nitrate (mg/L NO3), p H ,note\n 2026-05-04 , K , 16 , 7.3 , mark-K-4 \n", (4,)
    ),
    _text("comments", "# mine\n" + HEAD + good(4) + "# mark-K-99\n" + good(11), (4, 11)),
    _text(
        "long-shape",
        "date,tank,parameter,value,note\n2026-05-04,K,nitrate,16,mark-K-4\n" + "2026-05-04,K,colour,x,mark-K-11\n",
        (4, 11),
        2,
        (4,),
    ),
    # -- cells ---------------------------------------------------------------------------------------
    _text("nul-in-cell", HEAD + "2026-05-04,K,1\x006,7.3,mark-K-4\n" + good(11), (4, 11)),
    Case("only-nuls", lambda _: b"\0" * 4096),
    _text(
        "numbers",
        HEAD
        + "".join(
            f"2026-05-{n:02d},K,{x},7.3,mark-K-{n}\n"
            for n, x in enumerate(
                (
                    "1e999",
                    "nan",
                    "inf",
                    "-inf",
                    "-0",
                    "0x10",
                    "1_000",
                    "١٢",
                    "１２",
                    "1e-400",
                    "--5",
                    "9" * 400,
                    "NULL",
                    "None",
                    "5-",
                    "-5",
                    "5--10",
                    "10-5",
                    "<",
                    ">",
                    "<>",
                    "<-5",
                    "²",
                    "½",
                ),
                start=1,
            )
        ),
        tuple(range(1, 25)),
        24,
        tuple(range(1, 25)),
    ),
    _text(
        "dates",
        HEAD
        + "".join(
            f"{d},K,16,7.3,mark-K-{n}\n"
            for n, d in enumerate(
                (
                    "0000-00-00",
                    "9999-12-31",
                    "10000-01-01",
                    "2026-02-30",
                    "2025-02-29",
                    "-1",
                    "45935",
                    "",
                    "today",
                    "2026-05-04T25:00",
                    "31/04/2026",
                    "1e6",
                    "0",
                    "٢٠٢٦-٠٥-٠٤",
                ),
                start=1,
            )
        ),
        tuple(range(1, 15)),
        14,
    ),
    _text(
        "formula",
        HEAD + '2026-05-04,K,=1+1,@SUM(A1),"=HYPERLINK(""http://example.invalid"") mark-K-4"\n',
        (4,),
        1,
        (4,),
    ),
    _text("html", HEAD + "2026-05-04,K,<b>16</b>,7.3,<script>alert(1)</script> mark-K-4\n", (4,), 1, (4,)),
    _text(
        "sql",
        HEAD
        + "2026-05-04,K'; DROP TABLE reading; --,16,7.3,mark-K-4\n"
        + '2026-05-11,K,16,7.3,"\'; DELETE FROM visit; mark-K-11"\n',
        (4, 11),
        2,
        (11,),
    ),
    _text("braces", HEAD + "2026-05-04,K,{0},%s,{note!r} %n ${HOME} mark-K-4\n", (4,), 1, (4,)),
    _text("escapes", HEAD + "2026-05-04,K,16,7.3,\x1b[31m\x07\x08 mark-K-4\n", (4,), 1, (4,)),
    _text("right-to-left", HEAD + "2026-05-04,\u202eK,16,7.3,\u202emark-K-4\n", (4,)),
    _text("look-alikes", HEAD + "2026-05-04,\u200bK\u200b,16,7.3,mark-K-4\n2026-05-11,Κ9,16,7.3,mark-K-11\n", (4, 11)),
    _text("emoji", HEAD + "2026-05-04,K,16,7.3,🐟🐠 e\u0301 mark-K-4\n", (4,), 1, (4,)),
    _text("paths", HEAD + "2026-05-04,../../etc/passwd,16,7.3,mark-K-4\n", (4,), 1),
    _text(
        "amounts",
        "date,tank,water_changed,note\n"
        + "".join(
            f"2026-05-{n:02d},K,{x},mark-K-{n}\n"
            for n, x in enumerate(
                ("110%", "-5%", "1e3 L", "40", "40 gal", "nan%", "inf L", "3 buckets", "30 %%", "L", "%"), start=1
            )
        ),
        tuple(range(1, 12)),
        11,
        tuple(range(1, 12)),
    ),
    # -- not a CSV at all ----------------------------------------------------------------------------
    Case("zip", lambda _: b"PK\x03\x04\x14\x00\x06\x00" + bytes(range(256)) * 20),
    Case("png", lambda _: b"\x89PNG\r\n\x1a\n" + bytes(range(255, -1, -1)) * 20),
    Case("gzip", lambda _: b"\x1f\x8b\x08\x00" + bytes(range(256)) * 8),
    _text("json", '{"date": "2026-05-04", "tank": "K", "note": "mark-K-4"}\n', (4,)),
    _text("web-page", "<!doctype html><html><body>mark-K-4</body></html>\n", (4,)),
)
