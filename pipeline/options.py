"""The options of the commands: how each is read, and in what sentence one out of reach is refused."""

import datetime as dt
import math
from collections.abc import Callable
from keyword import iskeyword
from pathlib import Path
from typing import Any

import click

from pipeline.problems import Problem

FIRST_DAY, LAST_DAY = dt.date(1980, 1, 1), dt.date(2100, 12, 31)  # no log of a tank reaches further
RAW_FOLDERS = ("visits", "services", "events")  # of a log folder, beside its root: files in them are read by a load


def a_date(text: str) -> dt.date:
    try:
        day = dt.date.fromisoformat(text)
    except ValueError:
        raise click.BadParameter(f"“{text}” is not a date; expected one like 2026-06-01.") from None
    if not FIRST_DAY <= day <= LAST_DAY:
        raise click.BadParameter(f"{day} is out of reach; expected a day from {FIRST_DAY} to {LAST_DAY}.")
    return day


def a_path(text: str) -> Path:
    if not text.strip():
        raise click.BadParameter("the name is blank; expected a folder or file. For the current folder write “.”.")
    return Path(text)


def an_amount(most: float, unit: str) -> Callable[[str], float]:
    """A parser of an option: a number above 0 and up to `most`."""

    def parse(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not 0 < value <= most:
            raise click.BadParameter(f"“{text}”; expected a number of {unit} above 0 and up to {most:g}.")
        return value

    return parse


def a_port(text: str) -> int:
    if not text.isdigit() or not 1024 <= int(text) <= 65535:
        raise click.BadParameter(f"“{text}” is not a port that can be used; expected a number from 1024 to 65535.")
    return int(text)


def among_logs(logs: Path, target: Path, *, is_folder: bool) -> None:
    """Refuse to write where a load reads: raw files are never written over."""
    folder = (target if is_folder else target.parent).resolve()
    home = logs.resolve()
    if folder in {home, *(home / name for name in RAW_FOLDERS)} or (home / "issued") in {folder, *folder.parents}:
        raise Problem(
            f"{target} is among the log files of {logs}; expected another place, so that no record is written over."
            f" Give a folder beside it, such as {home.parent / 'out'}. Nothing was written."
        )


Decorator = Callable[[Any], Any]


def one_of(*words: str) -> Callable[[str], str]:
    """A parser of an option: one of a few words."""

    def parse(text: str) -> str:
        if text not in words:
            raise click.BadParameter(f"“{text}”; expected {', '.join(words[:-1])} or {words[-1]}.")
        return text

    return parse


def option(name: str, metavar: str, help: str, parser: Callable[[str], Any] = str, **more: Any) -> Decorator:
    """An option that takes a value; its parameter is named as it is, with a _ behind a word of Python."""
    word = name.removeprefix("--").replace("-", "_")
    return click.option(name, word + "_" * iskeyword(word), metavar=metavar, type=parser, help=help, **more)


def flag(name: str, help: str) -> Decorator:
    return click.option(name, is_flag=True, help=help)


LOGS = click.argument("logs", metavar="LOGS", type=a_path, help="A log folder: round.toml, CSVs, visits/ …")
AS_OF = option("--as-of", "DATE", "As of this day; today by default.", a_date)
FORM = option("--format", "FORM", "text or json; --json for short.", one_of("text", "json"), default="text")
DB = option("--db", "FILE", "Warehouse in another place.", a_path)
OUT = option("--out", "DIR", "Folder to write into; made if missing.", a_path, required=True)
PDF = option("--pdf", "FILE", "Also write it as a PDF.", a_path)
PORT = option("--port", "N", "Port on this machine; a free one by default.", a_port)
BROWSER: Decorator = click.option("--browser/--no-browser", default=True, help="Open a browser window.")
