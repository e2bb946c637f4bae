"""Files written whole or not at all: beside, forced to disk, then named; what a killed write left is removed."""

import errno
import os
import re
import shutil
import tempfile
import time
from contextlib import suppress
from pathlib import Path

from pipeline.problems import Problem

UNFINISHED = ".unfinished"  # the ending of a file or folder that is being written
UNFINISHED_S = 600.0  # seconds after which no write is still under way
_WRITER = re.compile(rf"\.(\d+)\.[^.]*{re.escape(UNFINISHED)}")


def explained(error: OSError, path: Path) -> Problem:
    """An error of the disk as a sentence."""
    why = {
        errno.ENOSPC: "the disk is full; make room and try again",
        errno.EDQUOT: "no more may be stored there; make room and try again",
        errno.EACCES: "the folder may not be written to; change its permissions or choose another",
        errno.EROFS: "the folder is read-only; choose another",
    }.get(error.errno or 0, f"{error.strerror or error}; check the folder and try again")
    return Problem(f"{path} could not be written: {why}. Nothing was changed.")


def beside(target: Path) -> tuple[str, str]:
    """(start, end) of the hidden name beside `target` under which it is written; it tells who writes."""
    return f".{target.name[:100]}.{os.getpid()}.", UNFINISHED


def sync_folder(folder: Path) -> None:
    """Force a folder's list of names to disk, where the system allows it."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # pragma: no cover - some systems do not open folders
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write(target: Path, content: bytes, *, replace: bool) -> None:
    """Write `content` as `target`. Without `replace` a file of that name is a FileExistsError; else errors are a Problem."""
    start, end = beside(target)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=start, suffix=end, dir=target.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(name, 0o644)
            if replace:
                os.replace(name, target)
            else:
                os.link(name, target)  # fails if the name is taken, also by another process just now
        finally:
            Path(name).unlink(missing_ok=True)
        sync_folder(target.parent)
    except FileExistsError:
        if not replace and target.exists():
            raise
        raise Problem(
            f"{target} could not be written: {target.parent} is in the way, expected a folder. Move it away."
            " Nothing was changed."
        ) from None
    except OSError as error:
        raise explained(error, target) from None


def _under_way(path: Path) -> bool:
    """Whether somebody still writes it: the process that its name tells of lives, and it is young."""
    if time.time() - path.lstat().st_mtime > UNFINISHED_S:
        return False
    writer = _WRITER.search(path.name)
    try:
        os.kill(int(writer[1]) if writer else os.getpid(), 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        pass
    return True


def clear_leftovers(folder: Path) -> None:
    """Remove what writes left anywhere in a folder that were killed."""
    for here, folders, files in os.walk(folder):
        for name in (name for name in [*files, *folders] if name.startswith(".") and name.endswith(UNFINISHED)):
            left = Path(here) / name
            with suppress(OSError):
                if _under_way(left):
                    continue
                if left.is_dir() and not left.is_symlink():
                    shutil.rmtree(left, ignore_errors=True)
                else:
                    left.unlink()
