"""The commands of `tankround`. Heavy libraries are imported inside them, so that `--version` and `--help` answer at
once. Exit codes: 0 done, 1 could not, 2 wrong use. Held rows are not an error."""

from __future__ import annotations

import datetime as dt
import errno
import io
import json
import logging
import sys
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from pipeline import log
from pipeline import options as o
from pipeline.problems import Problem

if TYPE_CHECKING:
    from pipeline.week import Week

DEMO_DAY = dt.date(2026, 6, 1)  # the last day in the demo round: it is shown as of that day


def _show(form: str, data: Callable[[], Any], text: Callable[[], str]) -> None:
    """Print what was asked for, as JSON or as text."""
    as_json = form == "json"
    print(json.dumps(data(), ensure_ascii=False, indent=2, default=str, allow_nan=False) if as_json else text())


def _folder(path: Path) -> Path:
    if not path.is_dir():
        what = "is a file, not a folder" if path.exists() else "is not there"
        raise Problem(
            f"{path} {what}; expected a log folder. `tankround new {path.name or 'logs'}` makes an empty one."
        )
    log.start(path).info("%s", sys.argv[1] if len(sys.argv) > 1 else "")
    return path


def _open(logs: Path, as_of: dt.date | None, db: Path | None, out: Path | None = None, pdf: Path | None = None) -> Week:
    """The round as of a day; refused where what is to be written, a folder or a PDF, would lie among its files."""
    from pipeline.progress import reporting
    from pipeline.weekly import open_week

    for target in (out, pdf):
        if target is not None:
            o.among_logs(logs, target, is_folder=target is out)
    with reporting() as progress:
        return open_week(_folder(logs), as_of=as_of, db=db, progress=progress)


def _written(paths: list[Path], beside_text: bool = False) -> None:
    for path in paths:
        print(f"wrote {path}", file=sys.stderr if beside_text else None)


class _InOrder(click.Group):
    """Commands in the order of the work, not of the alphabet."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)


@click.group(cls=_InOrder)
@click.version_option(version("tankround"), message="tankround %(version)s", help="Print the version and stop.")
def app() -> None:
    """A weekly review of other people's freshwater tanks, from a folder of CSVs."""


def _command(*options: o.Decorator, name: str | None = None) -> Callable[[Callable[..., None]], click.Command]:
    """A command of `app` with these options, in the order of its help."""

    def made(function: Callable[..., None]) -> click.Command:
        for one in reversed(options):
            function = one(function)
        return app.command(name)(function)

    return made


@_command(
    o.LOGS,
    o.DB,
    o.FORM,
    o.option("--scheduler", "ADDRESS", "Calculate over the Dask cluster at this address (extra cluster)."),
)
def load(logs: Path, db: Path | None, format: str, scheduler: str | None) -> None:
    """Read and check a log folder, build its warehouse."""
    from pipeline import weekly
    from pipeline.console import printed
    from pipeline.progress import reporting

    with reporting() as progress:
        result = weekly.load(_folder(logs), db=db, progress=progress, scheduler=scheduler)
    shown = {"account": result.account, "nothing_new": not result.new, "warehouse": result.db}
    _show(format, lambda: result.account, lambda: printed("account.txt", **shown))


@_command(o.LOGS, o.AS_OF, o.DB, o.FORM, o.PDF)
def review(logs: Path, as_of: dt.date | None, db: Path | None, format: str, pdf: Path | None) -> None:
    """The weekly review of all tanks, ranked, with next steps."""
    from pipeline.review.summary import as_json, as_text

    week = _open(logs, as_of, db, pdf=pdf)
    _show(format, lambda: as_json(week), lambda: as_text(week))
    if pdf is not None:
        from pipeline.papers.week_pdf import week_pdf
        from pipeline.papers.writing import write_bytes

        _written([write_bytes(pdf, week_pdf(week))], beside_text=True)


@_command(o.LOGS, o.DB, o.FORM)
def held(logs: Path, db: Path | None, format: str) -> None:
    """What is held, where it was typed, why, what is suggested."""
    from pipeline.console import held_rows, printed

    rows = held_rows(_open(logs, None, db))
    _show(format, lambda: rows, lambda: printed("held.txt", rows=rows))


LITRES = o.an_amount(100_000, "litres")


@_command(
    o.LOGS,
    o.option("--model", "M", "Model in filter_models.csv; repeat to compare.", multiple=True, required=True),
    o.option("--net-l", "L", "Net litres of the tank.", LITRES),
    o.option("--gross-l", "L", "Gross litres, net unknown.", LITRES),
    o.option("--stocking", "WORD", "light, normal, heavy or messy."),
    o.option("--flow", "L/H", "Timed flow in litres an hour.", o.an_amount(1_000_000, "litres an hour")),
    o.flag("--letter", "A reply to send, instead of the sums."),
    o.PDF,
    o.DB,
    o.FORM,
    name="will-it-do",
)
def will_it_do(
    logs: Path, model: tuple[str, ...], net_l: float | None, gross_l: float | None, stocking: str | None,
    flow: float | None, letter: bool, pdf: Path | None, db: Path | None, format: str,
) -> None:  # fmt: skip
    """Will a filter do for so many litres? If not, what would."""
    from pipeline.advise import fit
    from schemas.words import STOCKING

    if net_l is None and gross_l is None:
        raise click.BadParameter("give --net-l (litres of water) or --gross-l (outside volume).")
    if stocking is not None and stocking not in STOCKING:
        raise click.BadParameter(f"--stocking “{stocking}”; expected {', '.join(STOCKING)}.")
    week = _open(logs, None, db, pdf=pdf)
    answers = [fit.will_it_do(week, name, net_l=net_l, gross_l=gross_l, stocking=stocking, flow=flow) for name in model]
    words = fit.letter if letter else fit.as_text
    _show(format, lambda: answers[0] if len(answers) == 1 else answers, lambda: "\n\n".join(map(words, answers)))
    if pdf is not None:
        from pipeline.papers.reply import reply_pdf
        from pipeline.papers.writing import write_bytes

        _written([write_bytes(pdf, reply_pdf(week, answers))], beside_text=True)


@_command(o.LOGS, o.option("--tank", "T", "Tank id.", required=True), o.AS_OF, o.DB, o.FORM)
def plan(logs: Path, tank: str, as_of: dt.date | None, db: Path | None, format: str) -> None:
    """Changes that bring a tank within rating, cheapest first."""
    from pipeline.advise import plan as room

    answer = room.plan(_open(logs, as_of, db), tank)
    _show(format, lambda: answer, lambda: room.as_text(answer))


@_command(
    o.LOGS,
    o.option("--site", "S", "Site id.", required=True),
    o.option("--from", "DATE", "First day.", o.a_date, required=True),
    o.option("--to", "DATE", "Last day.", o.a_date, required=True),
    o.OUT,
    o.option("--note", "FILE:LINE", "A note to print; repeat. None by default.", multiple=True),
    o.option("--cause", "TANK:CAUSE", "A possible cause to print; repeat.", multiple=True),
    o.flag("--issue", "Freeze it as an issue under LOGS/issued/."),
    o.DB,
)
def report(
    logs: Path, site: str, from_: dt.date, to: dt.date, out: Path,
    note: tuple[str, ...], cause: tuple[str, ...], issue: bool, db: Path | None,
) -> None:  # fmt: skip
    """The manager's page of a site, as PDF and HTML."""
    from pipeline.papers import writing

    if to < from_:
        raise click.BadParameter(f"--to {to} is before --from {from_}.")
    week = _open(logs, to, db, out)
    _written(writing.write_site_report(week, site, from_, to, out, notes=note, causes=cause, issue=issue))


@_command(
    o.LOGS,
    o.OUT,
    o.option("--site", "S", "Site id; repeat. Default all.", multiple=True),
    o.option("--day", "DATE", "Day of visit.", o.a_date),
    o.flag("--html", "One history page a tank, to read on a phone."),
    o.flag("--labels", "Labels for the tanks."),
    o.flag("--form", "A page a site to type the visit on a phone, offline."),
    o.AS_OF,
    o.DB,
)
def sheets(
    logs: Path, out: Path, site: tuple[str, ...], day: dt.date | None, html: bool, labels: bool, form: bool,
    as_of: dt.date | None, db: Path | None,
) -> None:  # fmt: skip
    """Visit sheets, van list; history pages, labels, phone forms."""
    from pipeline.papers import writing

    week = _open(logs, as_of, db, out)
    _written(writing.write_sheets(week, site, out, day=day, html=html, labels=labels, form=form))


@_command(o.LOGS, o.OUT, o.AS_OF, o.DB)
def calendar(logs: Path, out: Path, as_of: dt.date | None, db: Path | None) -> None:
    """Due services, carbon, kits and visits as an iCalendar file."""
    from pipeline.papers.calendar import calendar as due_dates
    from pipeline.papers.writing import write_bytes

    _written([write_bytes(out / "tankround.ics", due_dates(_open(logs, as_of, db, out)))])


@_command(
    o.LOGS,
    o.OUT,
    o.option("--format", "FORM", "csv, xlsx or parquet.", o.one_of("csv", "xlsx", "parquet"), default="csv"),
    o.DB,
)
def export(logs: Path, out: Path, format: str, db: Path | None) -> None:
    """Every checked table as CSV, Parquet or one workbook."""
    from pipeline.papers.export import export as written

    _written(written(_open(logs, None, db, out), out, format))


@_command(
    o.LOGS,
    o.PORT,
    o.BROWSER,
    o.AS_OF,
    o.DB,
    o.flag("--phones", "Serve this network too, behind a one-time code."),
    o.option("--cert", "FILE", "A certificate, to encrypt.", o.a_path),
    o.option("--key", "FILE", "The certificate's key.", o.a_path),
)
def dashboard(
    logs: Path, port: int | None, browser: bool, as_of: dt.date | None, db: Path | None,
    phones: bool, cert: Path | None, key: Path | None,
) -> None:  # fmt: skip
    """The dashboard, on this machine only and without telemetry. Ctrl-C stops it."""
    from dashboard.launch import serve

    if (cert is None) != (key is None) or (cert is not None and not phones):
        raise click.BadParameter("--cert and --key belong together, and to --phones.")
    _open(logs, as_of, db)
    sys.exit(serve(logs, db, port, browser, as_of, phones, (cert, key) if cert and key else None))


@_command(click.argument("logs", metavar="[LOGS]", type=o.a_path, required=False), o.FORM)
def assumptions(logs: Path | None, format: str) -> None:
    """Every constant with its value, unit and basis."""
    from pipeline.assumptions import with_overrides
    from pipeline.console import assumptions_rows, printed
    from pipeline.intake.files import read_round

    in_force, problems = with_overrides({} if logs is None else read_round(_folder(logs)).overrides)
    _show(format, lambda: assumptions_rows(in_force), lambda: printed("assumptions.txt", assumed=in_force))
    for problem in problems:
        print(problem, file=sys.stderr)


@_command(click.argument("family", metavar="[FAMILY]", required=False), o.FORM)
def columns(family: str | None, format: str) -> None:
    """Every column: title, unit, words allowed, an example."""
    from pipeline.new_folder import column_notes, columns_text, families_named

    families = families_named(family)
    text = "\n".join(columns_text(one) for one in families).removesuffix("\n")
    _show(format, lambda: {one.pattern: column_notes(one) for one in families}, lambda: text)


@_command(
    click.argument("folder", metavar="FOLDER", type=o.a_path),
    o.option("--from", "FILE", "Fill it from a spreadsheet (.xlsx, .ods, .csv) or a folder of them.", o.a_path),
)
def new(folder: Path, from_: Path | None) -> None:
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


@_command(
    click.option("--dashboard/--no-dashboard", "show", default=True, help="Open the dashboard at the end."),
    o.PORT,
    o.BROWSER,
    click.pass_context,
)
def demo(ctx: click.Context, show: bool, port: int | None, browser: bool) -> None:
    """The invented demo round: load, review and dashboard."""
    from pipeline.new_folder import copy_demo

    logs = Path("tankround-demo")
    print("The demo round is invented: no such sites, tanks, filters or kits exist.")
    print(f"{'copied to' if copy_demo(logs) else 'reusing'} {logs}/\n")
    ctx.invoke(load, logs=logs)
    print()
    ctx.invoke(review, logs=logs, as_of=DEMO_DAY)
    if show:
        print()
        ctx.invoke(dashboard, logs=logs, port=port, browser=browser, as_of=DEMO_DAY)


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
    out = sys.stdout
    words = ((word,) if word != "--json" else ("--format", "json") for word in sys.argv[1:])
    sys.argv[1:] = [part for word in words for part in word]
    try:
        sys.exit(app.main(prog_name="tankround", standalone_mode=False))
    except SystemExit as stop:
        # The reader of a pipe (head, less) has seen enough: click shuts the stream, and counts it as an error.
        raise SystemExit(stop.code if sys.stdout is out else 0) from None
    except click.ClickException as wrong:
        wrong.show()
        raise SystemExit(wrong.exit_code) from None
    except Problem as problem:
        print(problem, file=sys.stderr)
        raise SystemExit(1) from None
    except (KeyboardInterrupt, click.Abort):
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
