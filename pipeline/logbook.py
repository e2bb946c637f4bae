"""Writing to a log folder: corrections, visits typed in the dashboard, uploads. Nothing else ever writes there.

Raw files are never changed. A correction is a row more in corrections.csv; visits and uploads are new files.
Every write is whole or not at all: written beside, fsynced, then renamed (or linked, where the name must be new).
"""

from __future__ import annotations

import csv
import datetime as dt
import errno
import fcntl
import io
import os
import re
import tempfile
import time
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline.problems import Problem
from schemas.columns import describe
from schemas.visits import VisitSheet

CORRECTION_COLUMNS = ("file", "line", "column", "was", "now", "by", "on", "why")
SAFE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,80}\.csv", re.ASCII)
UPLOAD_MB = 5  # a year of a large round is under 1 MB; the server takes no more either
SHEET_FOLDERS = ("visits", "services", "events")
UNFINISHED = ".unfinished"  # the ending of a file that is being written
UNFINISHED_S = 600.0  # seconds after which no write is still under way


def _explained(error: OSError, path: Path) -> Problem:
    why = {
        errno.ENOSPC: "the disk is full; make room and try again",
        errno.EACCES: "the folder may not be written to; change its permissions or copy it elsewhere",
        errno.EROFS: "the folder is read-only; copy it elsewhere",
    }.get(error.errno or 0, f"{error.strerror}; check the folder and try again")
    return Problem(f"{path} could not be saved: {why}. Nothing was changed.")


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _write_whole(target: Path, content: bytes, *, replace: bool) -> None:
    """Write `content` as `target`, whole or not at all. Without `replace` an existing file is an error."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, beside = tempfile.mkstemp(prefix=f".{target.name}.", suffix=UNFINISHED, dir=target.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(beside, 0o644)
            if replace:
                os.replace(beside, target)
            else:
                os.link(beside, target)  # fails if the name is taken, also by another process just now
        finally:
            Path(beside).unlink(missing_ok=True)
        _sync_folder(target.parent)
    except FileExistsError:
        raise
    except OSError as error:
        raise _explained(error, target) from None


def clear_leftovers(folder: Path) -> None:
    """Remove what a write left that was killed; one that is under way is younger."""
    for place in (folder, *(folder / name for name in SHEET_FOLDERS)):
        for left in place.glob(f".*{UNFINISHED}"):
            with suppress(OSError):
                if time.time() - left.stat().st_mtime > UNFINISHED_S:
                    left.unlink()


@contextmanager
def _one_writer(folder: Path) -> Iterator[None]:
    """Two sessions that add corrections at once take turns."""
    lock = folder / ".tankround" / "writing.lock"
    try:
        lock.parent.mkdir(exist_ok=True)
        handle = lock.open("w")
    except OSError as error:
        raise _explained(error, lock) from None
    with handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield


def add_corrections(folder: Path, rows: Sequence[Mapping[str, str]]) -> None:
    """Add rows to corrections.csv, in the encoding, separator and column order that the file already has.

    Each row has the keys of CORRECTION_COLUMNS, as text. Raises Problem where the file's header is not understood.
    """
    target = folder / "corrections.csv"
    with _one_writer(folder):
        try:
            old = target.read_bytes() if target.exists() else b""
        except OSError as error:
            raise _explained(error, target) from None
        encoding = "utf-16" if old[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
        try:
            text = old.decode(encoding)
        except UnicodeDecodeError:
            encoding, text = "cp1252", old.decode("cp1252", errors="replace")
        if encoding == "utf-8-sig" and not old.startswith(b"\xef\xbb\xbf"):
            encoding = "utf-8"
        if not text.strip():
            text = ",".join(CORRECTION_COLUMNS) + "\n"
        first = text.lstrip("\r\n").splitlines()[0]
        separator = max(",;\t", key=first.count)
        header = [re.sub(r"[\s_]", "", name).casefold() for name in next(csv.reader([first], delimiter=separator))]
        if not set(CORRECTION_COLUMNS) <= set(header):
            raise Problem(
                f"corrections.csv, line 1 reads “{first}”; expected the columns {', '.join(CORRECTION_COLUMNS)}."
                " Put the header right, then save again. Nothing was changed."
            )
        added = io.StringIO()
        writer = csv.writer(added, delimiter=separator, lineterminator="\n")
        writer.writerows([row.get(name, "") for name in header] for row in rows)
        if not text.endswith("\n"):
            text += "\n"
        _write_whole(target, (text + added.getvalue()).encode(encoding), replace=True)


def visits_csv(rows: Sequence[Mapping[str, str]]) -> str:
    """Typed visits as the text of a visits file: the columns of the sheet that any row fills, in its order."""
    told = [name for name in describe(VisitSheet) if name not in ("file", "line")]
    filled = [name for name in told if any(row.get(name) for row in rows) or name in ("date", "tank")]
    text = io.StringIO()
    writer = csv.DictWriter(text, filled, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows([{name: row.get(name) or "" for name in filled} for row in rows])
    return text.getvalue()


def save_visits(folder: Path, rows: Sequence[Mapping[str, str]], today: dt.date) -> Path:
    """Save typed visits as a new file under visits/; returns its path. Never writes over a file."""
    content = visits_csv(rows).encode("utf-8")
    for count in range(1, 1000):
        target = folder / "visits" / f"entered-{today.isoformat()}-{count:03d}.csv"
        try:
            _write_whole(target, content, replace=False)
        except FileExistsError:
            continue
        return target
    raise Problem(f"{folder}/visits holds 999 files entered on {today}; join some of them, then save again.")


def save_upload(folder: Path, kind: str, name: str, content: bytes) -> Path:
    """Keep an uploaded CSV as a new file in visits/, services/ or events/; the name may not leave that folder."""
    if kind not in SHEET_FOLDERS:
        raise Problem(f"“{kind}” takes no uploads; expected {', '.join(SHEET_FOLDERS)}.")
    if not SAFE_NAME.fullmatch(name):
        raise Problem(
            f"“{name}” can't be a file name here; expected letters, digits, spaces, . _ - and .csv at the end."
        )
    if len(content) > UPLOAD_MB * 1_000_000:
        raise Problem(
            f"{name} has {len(content) / 1e6:.1f} MB; expected {UPLOAD_MB} MB or less. Split it into several files."
        )
    target = folder / kind / name
    try:
        _write_whole(target, content, replace=False)
    except FileExistsError:
        raise Problem(f"{kind}/{name} is there already; give the file another name. Nothing was changed.") from None
    return target


def closed(folder: Path) -> str:
    """Why nothing can be written to a folder, as a sentence; blank where it can."""
    if not folder.is_dir():
        return f"{folder} is not there, so nothing can be kept."
    if not os.access(folder, os.W_OK | os.X_OK):
        return f"{folder} may only be read, so nothing can be kept here: change its permissions, or copy it elsewhere."
    return ""


def free_name(folder: Path, kind: str, name: str) -> str:
    """A name that an upload may be kept under: safe characters, and not taken yet."""
    stem = re.sub(r"\.csv$", "", name.replace("\\", "/").rsplit("/", 1)[-1], flags=re.IGNORECASE)
    plain = unicodedata.normalize("NFKD", stem).encode("ascii", "ignore").decode("ascii")
    plain = re.sub(r"[^A-Za-z0-9._ -]+", "-", plain).lstrip(" ._-")[:70].rstrip(" .-") or "sheet"
    count = 1
    while True:
        told = f"{plain}.csv" if count == 1 else f"{plain}-{count}.csv"
        if not (folder / kind / told).exists():
            return told
        count += 1
