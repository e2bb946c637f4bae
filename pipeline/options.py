"""The options of the commands: how each is read, and in what sentence one out of reach is refused."""

import datetime as dt
import math
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from pipeline.problems import Problem

FIRST_DAY, LAST_DAY = dt.date(1980, 1, 1), dt.date(2100, 12, 31)  # no log of a tank reaches further
RAW_FOLDERS = ("visits", "services", "events")  # of a log folder, beside its root: files in them are read by a load


def a_date(text: str) -> dt.date:
    try:
        day = dt.date.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(f"“{text}” is not a date; expected one like 2026-06-01.") from None
    if not FIRST_DAY <= day <= LAST_DAY:
        raise typer.BadParameter(f"{day} is out of reach; expected a day from {FIRST_DAY} to {LAST_DAY}.")
    return day


def a_path(text: str) -> Path:
    if not text.strip():
        raise typer.BadParameter("the name is blank; expected a folder or file. For the current folder write “.”.")
    return Path(text)


def an_amount(most: float, unit: str) -> Callable[[str], float]:
    """A parser of an option: a number above 0 and up to `most`."""

    def parse(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not 0 < value <= most:
            raise typer.BadParameter(f"“{text}”; expected a number of {unit} above 0 and up to {most:g}.")
        return value

    return parse


def a_port(text: str) -> int:
    if not text.isdigit() or not 1024 <= int(text) <= 65535:
        raise typer.BadParameter(f"“{text}” is not a port that can be used; expected a number from 1024 to 65535.")
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


def a_format(text: str) -> str:
    if text not in ("text", "json"):
        raise typer.BadParameter(f"“{text}” is not a format; expected text or json.")
    return text


def given(name: str, metavar: str | None, help_: str, parser: Callable[[str], object] | None = None) -> Any:
    """An option of a command."""
    return typer.Option(name, metavar=metavar, parser=parser, help=help_)


Logs = Annotated[Path, typer.Argument(metavar="LOGS", parser=a_path, help="A log folder: round.toml, CSVs, visits/ …")]
AsOf = Annotated[dt.date | None, given("--as-of", "DATE", "As of this day; today by default.", a_date)]
Form = Annotated[str, typer.Option("--format", callback=a_format, help="text or json; --json for short.")]
Db = Annotated[Path | None, given("--db", "FILE", "Warehouse in another place.", a_path)]
Out = Annotated[Path, given("--out", "DIR", "Folder to write into; made if missing.", a_path)]
Pdf = Annotated[Path | None, given("--pdf", "FILE", "Also write it as a PDF.", a_path)]
Port = Annotated[int | None, given("--port", "N", "Port on this machine; a free one by default.", a_port)]
Model = Annotated[list[str], given("--model", "M", "Model in filter_models.csv; repeat to compare.")]
LITRES = an_amount(100_000, "litres")
NetL = Annotated[float | None, given("--net-l", "L", "Net litres of the tank.", LITRES)]
GrossL = Annotated[float | None, given("--gross-l", "L", "Gross litres, net unknown.", LITRES)]
HOURLY = an_amount(1_000_000, "litres an hour")
Flow = Annotated[float | None, given("--flow", "L/H", "Timed flow in litres an hour.", HOURLY)]
Notes = Annotated[list[str] | None, given("--note", "FILE:LINE", "A note to print; repeat. None by default.")]
Causes = Annotated[list[str] | None, given("--cause", "TANK:CAUSE", "A possible cause to print; repeat.")]
Browser = Annotated[bool, typer.Option("--browser/--no-browser", help="Open a browser window.")]
SHEETS = "Fill it from a spreadsheet (.xlsx, .ods, .csv) or a folder of them."
FromSheet = Annotated[Path | None, given("--from", "FILE", SHEETS, a_path)]
Kind = Annotated[str | None, typer.Argument(metavar="[FAMILY]", help="visits, tanks, feeding …; all by default.")]
Phones = Annotated[bool, typer.Option("--phones", help="Serve this network too, behind a one-time code.")]
CLUSTER = "Calculate over the Dask cluster at this address (extra cluster)."
Scheduler = Annotated[str | None, given("--scheduler", "ADDRESS", CLUSTER)]
Cert = Annotated[Path | None, given("--cert", "FILE", "A certificate, to encrypt.", a_path)]
Key = Annotated[Path | None, given("--key", "FILE", "The certificate's key.", a_path)]
