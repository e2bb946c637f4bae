"""Writing to a log folder: corrections, visits typed in the dashboard, uploads. Nothing else ever writes there.

Raw files are never changed. A correction is a row more in corrections.csv; visits and uploads are new files.
Every write is whole or not at all.
"""

import codecs
import csv
import datetime as dt
import fcntl
import hashlib
import io
import json
import os
import re
import tomllib
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path
from typing import Any

from pipeline import safe_write
from pipeline.problems import Problem
from schemas.columns import describe
from schemas.visits import VisitSheet

CORRECTION_COLUMNS = ("file", "line", "column", "was", "now", "by", "on", "why")
SAFE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,80}\.(csv|xlsx|ods)", re.ASCII)
UPLOAD_MB = 5  # a year of a large round is under 1 MB; the server takes no more either
SHEET_FOLDERS = ("visits", "services", "events")


@contextmanager
def _one_writer(folder: Path) -> Iterator[None]:
    """Two sessions that add corrections at once take turns."""
    lock = folder / ".tankround" / "writing.lock"
    try:
        lock.parent.mkdir(exist_ok=True)
        handle = lock.open("w")
    except OSError as error:
        raise safe_write.explained(error, lock) from None
    with handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield


def _decoded(raw: bytes) -> tuple[str, str]:
    """Text of a file and its encoding; written back in that, every byte is as it was."""
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16", errors="replace"), "utf-16"
    for encoding in ("utf-8-sig" if raw.startswith(codecs.BOM_UTF8) else "utf-8", "cp1252"):
        try:
            return raw.decode(encoding), encoding
        except UnicodeDecodeError:
            continue
    return raw.decode("latin-1"), "latin-1"


def add_corrections(folder: Path, rows: Sequence[Mapping[str, str]]) -> None:
    """Add rows to corrections.csv; each has the keys of CORRECTION_COLUMNS, as text."""
    add_rows(folder, "corrections.csv", CORRECTION_COLUMNS, rows)


def add_rows(folder: Path, name: str, columns: Sequence[str], rows: Sequence[Mapping[str, str]]) -> Path:
    """Add rows to a file of the folder, in the encoding, separator and column order that it already has.

    A file that is not there begins with `columns`. Raises Problem where its header lacks a column that a row fills.
    """
    target = folder / name
    filled = [column for column in columns if name == "corrections.csv" or any(row.get(column) for row in rows)]
    with _one_writer(folder):
        try:
            old = target.read_bytes() if target.exists() else b""
        except OSError as error:
            raise safe_write.explained(error, target) from None
        text, encoding = _decoded(old)
        if not text.strip():
            text = ",".join(columns) + "\n"
        first = text.lstrip("\r\n").splitlines()[0]
        separator = max(",;\t", key=first.count)
        by_fold = {_folded(column): column for column in columns}
        header = [by_fold.get(_folded(one), one) for one in next(csv.reader([first], delimiter=separator))]
        if not set(filled) <= set(header):
            raise Problem(
                f"{name}, line 1 reads “{first}”; expected the columns {', '.join(filled)}."
                " Put the header right, then save again. Nothing was changed."
            )
        added = io.StringIO()
        writer = csv.writer(added, delimiter=separator, lineterminator="\n")
        writer.writerows([row.get(one, "") for one in header] for row in rows)
        if not text.endswith("\n"):
            text += "\n"
        text += added.getvalue()
        try:
            content = text.encode(encoding)
        except UnicodeEncodeError:  # a sign that the file's encoding has not: all of it is kept in one that has
            content = text.encode("utf-8-sig")
        safe_write.write(target, content, replace=True)
    return target


def _folded(header: str) -> str:
    return re.sub(r"[\s_]|[(\[].*", "", header).casefold()


def rows_csv(columns: Sequence[str], rows: Sequence[Mapping[str, str]]) -> str:
    """Rows as the text of a CSV: of the columns those that any row fills."""
    filled = [column for column in columns if any(row.get(column) for row in rows)]
    text = io.StringIO()
    writer = csv.DictWriter(text, filled, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows([{name: row.get(name) or "" for name in filled} for row in rows])
    return text.getvalue()


def visits_csv(rows: Sequence[Mapping[str, str]]) -> str:
    """Typed visits as the text of a visits file: the columns of the sheet that any row fills, in its order."""
    columns = [name for name in describe(VisitSheet) if name not in ("file", "line")]
    return rows_csv(columns, rows)


def save_visits(folder: Path, rows: Sequence[Mapping[str, str]], today: dt.date) -> Path:
    """Save typed visits as a new file under visits/; returns its path. Never writes over a file."""
    content = visits_csv(rows).encode("utf-8")
    for number in range(1, 1000):
        target = folder / "visits" / f"entered-{today.isoformat()}-{number:03d}.csv"
        try:
            safe_write.write(target, content, replace=False)
        except FileExistsError:
            continue
        return target
    raise Problem(f"{folder}/visits holds 999 files entered on {today}; join some of them, then save again.")


# -- drafts: typed and not kept yet. They lie beside the warehouse, where no load reads them ---------------


def _draft_file(folder: Path, tank: str, day: dt.date) -> Path:
    name = hashlib.sha256(tank.encode("utf-8", "surrogateescape")).hexdigest()[:16]
    return folder / ".tankround" / "drafts" / f"{day.isoformat()}-{name}.json"


def _draft_of(path: Path) -> dict[str, Any]:
    """What a draft holds; one that can't be read is none."""
    try:
        found = json.loads(path.read_text("utf-8"))
        return found if isinstance(found.get("tank"), str) and isinstance(found.get("answers"), dict) else {}
    except (OSError, ValueError, AttributeError):
        return {}


def draft(folder: Path, tank: str, day: dt.date) -> dict[str, Any]:
    """What was typed of a tank's visit and not kept: the answer to each question."""
    answers: dict[str, Any] = _draft_of(_draft_file(folder, tank, day)).get("answers", {})
    return answers


def drafts(folder: Path) -> list[tuple[dt.date, str]]:
    """(day, tank) of all that was typed and not kept, the newest day first."""
    found = []
    for path in sorted((folder / ".tankround" / "drafts").glob("????-??-??-*.json"), reverse=True):
        with suppress(ValueError):
            if held := _draft_of(path):
                found.append((dt.date.fromisoformat(path.name[:10]), str(held["tank"])))
    return found


def keep_draft(folder: Path, tank: str, day: dt.date, answers: Mapping[str, Any]) -> None:
    """Write down what is typed so far, in place of what was; nothing typed, or kept by now, takes the draft away."""
    target = _draft_file(folder, tank, day)
    try:
        if not answers:
            target.unlink(missing_ok=True)
            return
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise safe_write.explained(error, target) from None
    safe_write.write(target, json.dumps({"tank": tank, "answers": answers}).encode(), replace=True)


def save_upload(folder: Path, kind: str, name: str, content: bytes) -> Path:
    """Keep an uploaded table as a new file in visits/, services/ or events/; the name may not leave that folder."""
    if kind not in SHEET_FOLDERS:
        raise Problem(f"“{kind}” takes no uploads; expected {', '.join(SHEET_FOLDERS)}.")
    if not SAFE_NAME.fullmatch(name):
        raise Problem(
            f"“{name}” can't be a file name here; expected letters, digits, spaces, . _ - and .csv, .xlsx or .ods at the end."
        )
    if len(content) > UPLOAD_MB * 1_000_000:
        raise Problem(
            f"{name} has {len(content) / 1e6:.1f} MB; expected {UPLOAD_MB} MB or less. Split it into several files."
        )
    target = folder / kind / name
    try:
        safe_write.write(target, content, replace=False)
    except FileExistsError:
        raise Problem(f"{kind}/{name} is there already; give the file another name. Nothing was changed.") from None
    return target


def toml_lines(columns: Mapping[str, str]) -> str:
    """Lines of [columns] in round.toml: own header = column."""
    quoted = {own.replace("\\", "\\\\").replace('"', '\\"'): column for own, column in columns.items()}
    return "".join(f'"{own}" = "{column}"\n' for own, column in quoted.items())


def begin(folder: Path, files: Mapping[str, str], columns: Mapping[str, str], date_order: str = "iso") -> None:
    """The first tanks of a round, with their sites and visits: CSV texts by their place in the folder.

    Settings and tanks come before the visits, so that whatever is broken off leaves no visit without its tank.
    """
    if columns or date_order != "iso":
        save_columns(folder, columns, date_order)
    for name in sorted(files, key=lambda name: ("/" in name, name)):
        rows = list(csv.DictReader(io.StringIO(files[name])))
        if "/" in name:
            kind, _, own = name.partition("/")
            save_upload(folder, kind, free_name(folder, kind, own), files[name].encode())
        elif rows:
            add_rows(folder, name, list(rows[0]), rows)


def save_columns(folder: Path, columns: Mapping[str, str], date_order: str = "") -> None:
    """Keep what a person's own headers mean (blank: not used) under [columns] in round.toml, for the next file too; and
    how dates are typed, where that is said."""
    target = folder / "round.toml"
    with _one_writer(folder):
        try:
            old = target.read_text("utf-8-sig") if target.exists() else ""
            there = tomllib.loads(old).get("columns", {})
            lines = toml_lines({own: column for own, column in columns.items() if own not in there})
            head = re.search(r"^[ \t]*\[columns\][^\n]*(?:\n|\Z)", old, re.MULTILINE)
            if head:
                new = f"{old[: head.end()].rstrip()}\n{lines}{old[head.end() :]}"
            else:
                new = f"{old.rstrip()}\n\n[columns]\n{lines}".lstrip()
            if date_order:
                new = re.sub(r"(?m)^[ \t]*date_order[ \t]*=[ \t]*\"[^\"\n]*\"", f'date_order = "{date_order}"', new)
                if tomllib.loads(new).get("round", {}).get("date_order") != date_order:
                    at = re.search(r"(?m)^[ \t]*\[round\][^\n]*(?:\n|\Z)", new)
                    place, opens = (at.end(), "") if at else (0, "[round]\n")
                    new = f'{new[:place]}{opens}date_order = "{date_order}"\n{new[place:]}'
            tomllib.loads(new)
        except OSError as error:
            raise safe_write.explained(error, target) from None
        except (ValueError, AttributeError):
            raise Problem(
                f"{target} can't be read, so the columns were not kept; expected a TOML file. Put it right, then keep again."
            ) from None
        if lines or date_order:
            safe_write.write(target, new.encode(), replace=True)


def closed(folder: Path) -> str:
    """Why nothing can be written to a folder, as a sentence; blank where it can."""
    if not folder.is_dir():
        return f"{folder} is not there, so nothing can be kept."
    if not os.access(folder, os.W_OK | os.X_OK):
        return f"{folder} may only be read, so nothing can be kept here: change its permissions, or copy it elsewhere."
    return ""


def free_name(folder: Path, kind: str, name: str) -> str:
    """A name that an upload may be kept under: safe characters, and not taken yet."""
    stem, dot, kind_of = name.replace("\\", "/").rpartition("/")[2].rpartition(".")
    end = kind_of.casefold() if dot and kind_of.casefold() in ("csv", "xlsx", "ods") else "csv"
    stem = stem if end == kind_of.casefold() else f"{stem}{dot}{kind_of}"
    plain = unicodedata.normalize("NFKD", stem).encode("ascii", "ignore").decode("ascii")
    plain = re.sub(r"[^A-Za-z0-9._ -]+", "-", plain).lstrip(" ._-")[:70].rstrip(" .-") or "sheet"
    names = (f"{plain}.{end}" if n == 1 else f"{plain}-{n}.{end}" for n in count(1))
    return next(name for name in names if not (folder / kind / name).exists())
