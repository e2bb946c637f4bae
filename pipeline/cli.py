"""The commands of `tankround`. Heavy libraries are imported inside them, so that `--version` and `--help` answer at
once. Exit codes: 0 done, 1 could not, 2 wrong use. Held rows are not an error."""

from __future__ import annotations

import datetime as dt
import errno
import io
import json
import logging
import os
import sys
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from pipeline import log
from pipeline import options as o
from pipeline.options import AsOf, Db, Form, Logs, Out, Pdf, Port, a_date, a_path, among_logs, given
from pipeline.problems import Problem

if TYPE_CHECKING:
    from pipeline.week import Week

app = typer.Typer(
    name="tankround",
    help="A weekly review of other people's freshwater tanks, from a folder of CSVs.",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

DEMO_DAY = dt.date(2026, 6, 1)  # the last day in the demo round: it is shown as of that day


def _show(form: str, data: Callable[[], Any], text: Callable[[], str]) -> None:
    """Print what was asked for, as JSON or as text."""
    as_json = form == "json"
    print(json.dumps(data(), ensure_ascii=False, indent=2, default=str, allow_nan=False) if as_json else text())


def _write_pdf(path: Path, content: bytes) -> None:
    from pipeline.papers.writing import write_bytes

    write_bytes(path, content)
    print(f"wrote {path}", file=sys.stderr)


def _folder(path: Path) -> Path:
    if not path.is_dir():
        what = "is a file, not a folder" if path.exists() else "is not there"
        raise Problem(
            f"{path} {what}; expected a log folder. `tankround new {path.name or 'logs'}` makes an empty one."
        )
    log.start(path).info("%s", sys.argv[1] if len(sys.argv) > 1 else "")
    return path


def _open(logs: Path, as_of: dt.date | None, db: Path | None) -> Week:
    from pipeline.progress import reporting
    from pipeline.weekly import open_week

    with reporting() as progress:
        return open_week(_folder(logs), as_of=as_of, db=db, progress=progress)


def _written(paths: list[Path]) -> None:
    for path in paths:
        print(f"wrote {path}")


@app.callback(invoke_without_command=True)
def _main(show_version: Annotated[bool, given("--version", None, "Print the version and stop.")] = False) -> None:
    if show_version:
        print(f"tankround {version('tankround')}")
        raise typer.Exit


@app.command()
def load(logs: Logs, db: Db = None, form: Form = "text", scheduler: o.Scheduler = None) -> None:
    """Read and check a log folder, build its warehouse."""
    from pipeline import weekly
    from pipeline.console import account_text
    from pipeline.progress import reporting

    with reporting() as progress:
        result = weekly.load(_folder(logs), db=db, progress=progress, scheduler=scheduler)
    text = account_text(result.account, nothing_new=not result.new, warehouse=str(result.db))
    _show(form, lambda: result.account, lambda: text)


@app.command()
def review(logs: Logs, as_of: AsOf = None, db: Db = None, form: Form = "text", pdf: Pdf = None) -> None:
    """The weekly review of all tanks, ranked, with next steps."""
    from pipeline.review.printed import as_text
    from pipeline.review.told import as_json

    if pdf is not None:
        among_logs(logs, pdf, is_folder=False)
    week = _open(logs, as_of, db)
    _show(form, lambda: as_json(week), lambda: as_text(week))
    if pdf is not None:
        from pipeline.papers.week_pdf import week_pdf

        _write_pdf(pdf, week_pdf(week))


@app.command()
def held(logs: Logs, db: Db = None, form: Form = "text") -> None:
    """What is held, where it was typed, why, what is suggested."""
    from pipeline.console import held_rows, held_text

    rows = held_rows(_open(logs, None, db))
    _show(form, lambda: rows, lambda: held_text(rows))


@app.command("will-it-do")
def will_it_do(
    logs: Logs,
    model: o.Model,
    net_l: o.NetL = None,
    gross_l: o.GrossL = None,
    stocking: Annotated[str | None, given("--stocking", None, "light, normal, heavy or messy.")] = None,
    flow: o.Flow = None,
    letter: Annotated[bool, typer.Option("--letter", help="A reply to send, instead of the sums.")] = False,
    pdf: Pdf = None,
    db: Db = None,
    form: Form = "text",
) -> None:
    """Will a filter do for so many litres? If not, what would."""
    from pipeline.advise import fit
    from schemas.words import STOCKING

    if net_l is None and gross_l is None:
        raise typer.BadParameter("give --net-l (litres of water) or --gross-l (outside volume).")
    if stocking is not None and stocking not in STOCKING:
        raise typer.BadParameter(f"--stocking “{stocking}”; expected {', '.join(STOCKING)}.")
    if pdf is not None:
        among_logs(logs, pdf, is_folder=False)
    week = _open(logs, None, db)
    answers = [fit.will_it_do(week, name, net_l=net_l, gross_l=gross_l, stocking=stocking, flow=flow) for name in model]
    words = fit.letter if letter else fit.as_text
    _show(form, lambda: answers[0] if len(answers) == 1 else answers, lambda: "\n\n".join(map(words, answers)))
    if pdf is not None:
        from pipeline.papers.reply import reply_pdf

        _write_pdf(pdf, reply_pdf(week, answers))


@app.command()
def plan(
    logs: Logs, tank: Annotated[str, given("--tank", "T", "Tank id.")], as_of: AsOf = None, db: Db = None,
    form: Form = "text",
) -> None:  # fmt: skip
    """Changes that bring a tank within rating, cheapest first."""
    from pipeline.advise import plan as room

    answer = room.plan(_open(logs, as_of, db), tank)
    _show(form, lambda: answer, lambda: room.as_text(answer))


@app.command()
def report(
    logs: Logs,
    site: Annotated[str, given("--site", "S", "Site id.")],
    from_: Annotated[dt.date, given("--from", "DATE", "First day.", a_date)],
    to: Annotated[dt.date, given("--to", "DATE", "Last day.", a_date)],
    out: Out,
    notes: o.Notes = None,
    causes: o.Causes = None,
    issue: Annotated[bool, typer.Option("--issue", help="Freeze it as an issue under LOGS/issued/.")] = False,
    db: Db = None,
) -> None:
    """The manager's page of a site, as PDF and HTML."""
    from pipeline.papers import writing

    if to < from_:
        raise typer.BadParameter(f"--to {to} is before --from {from_}.")
    among_logs(logs, out, is_folder=True)
    week = _open(logs, to, db)
    _written(writing.write_site_report(week, site, from_, to, out, notes=notes or [], causes=causes or [], issue=issue))


@app.command()
def sheets(
    logs: Logs,
    out: Out,
    site: Annotated[list[str] | None, given("--site", "S", "Site id; repeat. Default all.")] = None,
    day: Annotated[dt.date | None, given("--day", "DATE", "Day of visit.", a_date)] = None,
    html: Annotated[bool, typer.Option("--html", help="One history page a tank, to read on a phone.")] = False,
    labels: Annotated[bool, typer.Option("--labels", help="Labels for the tanks.")] = False,
    form: Annotated[bool, typer.Option("--form", help="A page a site to type the visit on a phone, offline.")] = False,
    as_of: AsOf = None,
    db: Db = None,
) -> None:
    """Visit sheets, van list; history pages, labels, phone forms."""
    from pipeline.papers import writing

    among_logs(logs, out, is_folder=True)
    week = _open(logs, as_of, db)
    _written(writing.write_sheets(week, site or [], out, day=day, html=html, labels=labels, form=form))


@app.command()
def calendar(logs: Logs, out: Out, as_of: AsOf = None, db: Db = None) -> None:
    """Due services, carbon, kits and visits as an iCalendar file."""
    from pipeline.papers.calendar import calendar as due_dates
    from pipeline.papers.writing import write_bytes

    among_logs(logs, out, is_folder=True)
    _written([write_bytes(out / "tankround.ics", due_dates(_open(logs, as_of, db)))])


@app.command()
def export(
    logs: Logs,
    out: Out,
    form: Annotated[str, typer.Option("--format", help="csv, xlsx or parquet.")] = "csv",
    db: Db = None,
) -> None:
    """Every checked table as CSV, Parquet or one workbook."""
    from pipeline.papers.export import export as written

    if form not in ("csv", "xlsx", "parquet"):
        raise typer.BadParameter(f"--format “{form}”; expected csv, xlsx or parquet.")
    among_logs(logs, out, is_folder=True)
    _written(written(_open(logs, None, db), out, form))


@app.command()
def dashboard(
    logs: Logs, port: Port = None, browser: o.Browser = True, as_of: AsOf = None, db: Db = None,
    phones: o.Phones = False, cert: o.Cert = None, key: o.Key = None,
) -> None:  # fmt: skip
    """The dashboard, on this machine only and without telemetry. Ctrl-C stops it."""
    from dashboard.launch import serve

    if (cert is None) != (key is None) or (cert is not None and not phones):
        raise typer.BadParameter("--cert and --key belong together, and to --phones.")
    _open(logs, as_of, db)
    raise typer.Exit(serve(logs, db, port, browser, as_of, phones, (cert, key) if cert and key else None))


@app.command()
def assumptions(
    logs: Annotated[
        Path | None, typer.Argument(metavar="[LOGS]", parser=a_path, help="A log folder with overrides.")
    ] = None,
    form: Form = "text",
) -> None:
    """Every constant with its value, unit and basis."""
    from pipeline.assumptions import built_in, with_overrides
    from pipeline.console import assumptions_rows, assumptions_text

    in_force = built_in()
    problems: list[str] = []
    if logs is not None:
        from pipeline.intake.round_file import read_round

        round_ = read_round(_folder(logs))
        in_force, problems = with_overrides(round_.overrides)
    _show(form, lambda: assumptions_rows(in_force), lambda: assumptions_text(in_force))
    for problem in problems:
        print(problem, file=sys.stderr)


@app.command()
def columns(family: o.Kind = None, form: Form = "text") -> None:
    """Every column: title, unit, words allowed, an example."""
    from pipeline.new_folder import columns_text, columns_told, families_named

    told = families_named(family)
    text = "\n".join(columns_text(one) for one in told).removesuffix("\n")
    _show(form, lambda: {one.pattern: columns_told(one) for one in told}, lambda: text)


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", parser=a_path, help="Folder to make.")],
    from_: o.FromSheet = None,
) -> None:
    """A log folder: with empty templates, or from a spreadsheet."""
    if from_ is not None:
        from pipeline.from_sheet import make_from

        print("\n".join(make_from(folder, from_)))
        return
    from pipeline.new_folder import make_folder

    made = make_folder(folder)
    print(f"Made {folder} with {len(made)} files; COLUMNS.md explains every column.")
    print("Fill in round.toml, sites.csv and tanks.csv first, or begin with `tankround new FOLDER --from FILE.xlsx`.")
    print(f"example/ shows each file filled in and is never loaded. Then: tankround load {folder}")


@app.command()
def demo(
    show: Annotated[bool, typer.Option("--dashboard/--no-dashboard", help="Open the dashboard at the end.")] = True,
    port: Port = None,
    browser: o.Browser = True,
) -> None:
    """The invented demo round: load, review and dashboard."""
    from pipeline.new_folder import copy_demo

    logs = Path("tankround-demo")
    print("The demo round is invented: no such sites, tanks, filters or kits exist.")
    print(f"{'copied to' if copy_demo(logs) else 'reusing'} {logs}/\n")
    load(logs)
    print()
    review(logs, as_of=DEMO_DAY)
    if show:
        print()
        dashboard(logs, port=port, browser=browser, as_of=DEMO_DAY)


def _unexpected(error: Exception) -> NoReturn:
    """An error of ours: one sentence, the rest into the log file."""
    logger = logging.getLogger(log.NAME)
    logger.exception("unexpected error in %s", " ".join(sys.argv[1:2]))
    files = [handler.baseFilename for handler in logger.handlers if isinstance(handler, logging.FileHandler)]
    where = f" The log file {files[0]} says more." if files else ""
    print(
        f"Something went wrong that should not: {type(error).__name__}. Nothing was changed in the log folder.{where}"
        " Please keep that file for whoever looks after tankround.",
        file=sys.stderr,
    )
    raise SystemExit(1) from None


def main() -> None:
    """The console script: no traceback, whatever it is given."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal of another encoding shows a mark, and the rest
    words = ((word,) if word != "--json" else ("--format", "json") for word in sys.argv[1:])
    sys.argv[1:] = [part for word in words for part in word]
    try:
        app()
    except SystemExit as stop:
        if stop.code == 1 and type(sys.stdout).__name__ == "PacifyFlushWrapper":
            raise SystemExit(0) from None  # the reader of a pipe has seen enough; typer counts that as an error
        raise
    except Problem as problem:
        print(problem, file=sys.stderr)
        raise SystemExit(1) from None
    except BrokenPipeError:
        # The reader of a pipe (head, less) has seen enough; Python must not complain at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(0) from None
    except KeyboardInterrupt:
        raise SystemExit(130) from None
    except OSError as error:
        if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EACCES, errno.EROFS, errno.EPERM):
            _unexpected(error)
        print(
            f"{error.filename or 'A file'} could not be written: {error.strerror}. Make room or give another place.",
            file=sys.stderr,
        )
        raise SystemExit(1) from None
    except Exception as error:
        _unexpected(error)


if __name__ == "__main__":
    main()
