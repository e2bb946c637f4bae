"""How a paper is printed: a typst template, its data as JSON, its pictures; tagged PDF, the same bytes every time.
What users typed reaches a template only through `json("data.json")`, so that it is never read as typst. And how it is a
self-contained HTML page: nothing fetched, nothing run but our own, every text escaped."""

import datetime as dt
import hashlib
import json
import unicodedata
import warnings
from base64 import b64encode
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import typst
from markupsafe import Markup

from pipeline.markup import templates

TEMPLATES = Path(__file__).with_name("templates")
STANDARDS = ["a-2a", "ua-1"]
FONT = "Libertinus Serif"  # compiled into typst: every machine prints alike
MISSING = "□"  # stands for a character that none of the fonts compiled into typst can print
SCREEN_PPI = 120.0  # a page of A4 is then 992 pixels wide
EPOCH = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)  # any fixed moment: it is not shown


@lru_cache(maxsize=32)
def template(name: str) -> bytes:
    return (TEMPLATES / name).read_bytes()


@lru_cache(maxsize=4096)
def _prints(char: str) -> bool:
    """Whether the fonts compiled into typst hold this character, found out by trying."""
    source = f'#set document(title: "x")\n#set text(lang: "en", font: "{FONT}")\n#json("data.json")'
    files = {"main.typ": source.encode(), "data.json": json.dumps(f"a{char}").encode()}
    try:
        typst.compile(files, ignore_system_fonts=True, pdf_standards=STANDARDS, timestamp=EPOCH)  # type: ignore[call-overload]
    except typst.TypstError:
        return False
    return True


def printable(text: str) -> str:
    """`text` as these fonts can print it: control characters become spaces, unknown letters become □."""
    if text.isascii() and text.isprintable():
        return text
    out = []
    for char in unicodedata.normalize("NFC", text):
        kind = unicodedata.category(char)
        if char == "\n" or (" " <= char <= "\u024f" and kind != "Cc"):
            out.append(char)
        elif kind in ("Cc", "Zl", "Zp"):
            out.append(" ")
        elif kind in ("Cf", "Cs", "Co", "Cn"):
            out.append("" if kind == "Cf" else MISSING)  # direction marks and the like are not printed
        else:
            out.append(char if _prints(char) else MISSING)
    return "".join(out)


def _printable(value: Any) -> Any:
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, Mapping):
        return {str(key): _printable(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_printable(item) for item in value]
    return value


def _files(name: str, data: Mapping[str, Any], drawings: Mapping[str, str] | None) -> dict[str, bytes]:
    return {
        "main.typ": template(name),
        "shared.typ": template("shared.typ"),
        "data.json": json.dumps(_printable(data), ensure_ascii=True, allow_nan=False).encode(),
        **{path: picture.encode() for path, picture in (drawings or {}).items()},
    }


def pdf(name: str, data: Mapping[str, Any], made: dt.date, drawings: Mapping[str, str] | None = None) -> bytes:
    """The PDF (PDF/A-2a and PDF/UA-1) of template `name` with `data`; `made` is the day written into its metadata."""
    files = _files(name, data, drawings)
    stamp = dt.datetime.combine(made, dt.time(), tzinfo=dt.UTC)
    made_pdf, messages = typst.compile_with_warnings(  # type: ignore[call-overload]
        files, ignore_system_fonts=True, pdf_standards=STANDARDS, timestamp=stamp
    )
    for warning in messages:
        warnings.warn(f"{name}: {warning}", stacklevel=2)  # a test run turns this into a failure
    return bytes(made_pdf)


def pictures(name: str, data: Mapping[str, Any], drawings: Mapping[str, str] | None = None) -> list[bytes]:
    """The pages of the same paper as PNG, for a screen."""
    made = typst.compile(  # type: ignore[call-overload]
        _files(name, data, drawings), format="png", ppi=SCREEN_PPI, ignore_system_fonts=True
    )
    return [made] if isinstance(made, bytes) else [bytes(page) for page in made]


PAGES = templates(TEMPLATES)


def filled(template: str, script: str = "", **data: Any) -> str:
    """A page of a template with its data. Its policy forbids it to load or run anything but `script`."""
    mark = b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return PAGES.get_template(template).render(**data, script=Markup(script), script_hash=mark)
