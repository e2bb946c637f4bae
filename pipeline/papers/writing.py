"""Papers into files: written beside, forced to disk, renamed. Names of files are made safe from ids of users."""

from __future__ import annotations

import hashlib
import os
import re
from contextlib import suppress
from pathlib import Path

from pipeline.problems import Problem


def safe_name(text: str) -> str:
    """A file name for an id: letters, digits, - and _; where anything else was lost, a short hash keeps it apart."""
    kept = re.sub(r"[^A-Za-z0-9_-]+", "-", text).strip("-")[:60]
    if kept == text:
        return kept
    mark = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:6]
    return f"{kept}-{mark}" if kept else mark


def sync_folder(folder: Path) -> None:
    """Forces a folder's list of names to disk, where the system allows it."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # pragma: no cover - Windows does not open folders
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_bytes(path: Path, content: bytes | str) -> Path:
    """Writes a file whole or not at all; an old one of that name is replaced."""
    data = content.encode() if isinstance(content, str) else content
    beside = path.with_name(f".{path.name}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("wb") as handle:
            handle.write(data)
            handle.flush()
            os.fsync(handle.fileno())
        os.replace(beside, path)
    except OSError as error:
        with suppress(OSError):
            beside.unlink(missing_ok=True)
        raise Problem(
            f"{path} could not be written ({error.strerror or error}). Choose another folder, or make room."
        ) from error
    sync_folder(path.parent)
    return path
