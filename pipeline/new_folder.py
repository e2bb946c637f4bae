"""An empty log folder with headed templates and filled examples; and a copy of the demo round."""

import csv
import datetime as dt
import io
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline import safe_write
from pipeline.console import printed
from pipeline.intake.headers import required
from pipeline.problems import Problem
from schemas import FAMILIES, Family
from schemas.columns import describe

HERE = Path(__file__).parent
# One small round that hangs together: a test loads it, and every row of it must be accepted.
EXAMPLE_ROUND = HERE / "example_round"

ROUND_TOML = (HERE / "new_round.toml").read_text("utf-8")


def headers(family: Family) -> list[str]:
    """The header names of a family's CSV, in order; where a row came from is not typed."""
    names = dict(family.csv_names)
    return [names.get(name, name) for name in describe(family.model) if name not in ("file", "line", "state")]


def file_name(family: Family, month: str) -> str:
    """The file a family is written to: visits/*.csv becomes visits/2026-05.csv."""
    return family.pattern.replace("*", month)


def csv_text(rows: Sequence[Sequence[str]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue()


def families_named(name: str | None) -> list[Family]:
    """The family that a person means by visits, visit, visits/*.csv or Visits; all where none is named."""
    if name is None:
        return list(FAMILIES)
    wanted = name.casefold().replace(" ", "_").removesuffix(".csv").partition("/")[0]
    stems = {f.pattern.partition("/")[0].removesuffix(".csv"): f for f in FAMILIES}
    found = {**stems, **{f.name: f for f in FAMILIES}}.get(wanted)
    if found is None:
        raise Problem(f"“{name}” is no kind of record; expected one of {', '.join(stems)}.")
    return [found]


def column_notes(family: Family) -> list[dict[str, object]]:
    """Every column of a family: its header, title, unit, the words allowed, an example, whether a row needs it."""
    example = next(iter(sorted(EXAMPLE_ROUND.glob(family.pattern))), None)
    rows = list(csv.DictReader(example.read_text("utf-8").splitlines())) if example else []
    needs = required(family)
    notes = [note for name, note in describe(family.model).items() if name not in ("file", "line", "state")]
    return [
        {
            "column": header, "title": note.title, "unit": note.unit, "needed": note.name in needs,
            "about": note.description, "words": list(note.words),
            "example": next((row[header] for row in rows if row.get(header)), ""),
        }
        for header, note in zip(headers(family), notes, strict=True)
    ]  # fmt: skip


def columns_text(family: Family) -> str:
    """The columns of a family as a list that is read in a terminal and in COLUMNS.md."""
    about = (family.model.__doc__ or "").strip().splitlines()[0]
    return printed("columns.md", family=family, about=about, columns=column_notes(family)) + "\n"


def make_folder(folder: Path, filled: Mapping[str, str] | None = None) -> list[Path]:
    """Write templates, or what is `filled` of their kind, and the example into a new or empty folder; returns the files."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Problem(f"{folder} is there already and is not an empty folder; expected a new name. Nothing written.")
    month, filled = f"{dt.date.today():%Y-%m}", filled or {}
    texts = {
        "round.toml": ROUND_TOML,
        "COLUMNS.md": "\n".join([f"{printed('columns_top.md')}\n", *map(columns_text, FAMILIES)]),
    }
    places = {name.partition("/")[0] for name in filled}
    texts |= {
        file_name(f, month): csv_text([headers(f)]) for f in FAMILIES if f.pattern.partition("/")[0] not in places
    }
    texts |= filled
    for example in sorted(EXAMPLE_ROUND.rglob("*.*")):
        texts[f"example/{example.relative_to(EXAMPLE_ROUND).as_posix()}"] = example.read_text("utf-8")
    for name, text in texts.items():
        path = folder / name
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        except OSError as error:
            raise Problem(f"{path} could not be written: {error.strerror}. Choose a folder you may write to.") from None
    return [folder / name for name in texts]


def copy_demo(target: Path) -> bool:
    """Copy the demo round; False when an earlier copy is there and is reused."""
    if target.is_dir() and (target / "round.toml").is_file():
        return False
    if target.exists():
        raise Problem(f"{target} is there but holds no round.toml; expected a demo round or nothing. Move it away.")
    start, end = safe_write.beside(target.absolute())
    beside = target.absolute().with_name(f"{start}demo{end}")
    packaged = HERE / "sample_logs"  # inside an installed package; in a checkout it lies at its top
    source = packaged if packaged.is_dir() else HERE.parent / "sample_logs"
    try:  # beside first: half a copy would be taken for an earlier one
        shutil.copytree(source, beside, ignore=shutil.ignore_patterns(".tankround"))
        beside.rename(target)
    except OSError as error:
        shutil.rmtree(beside, ignore_errors=True)
        raise safe_write.explained(error, target) from None
    return True
