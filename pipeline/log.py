"""The log file: what happened, and every unexpected error, under LOGS/.tankround; nothing of what was typed."""

import logging
from contextlib import suppress
from logging.handlers import RotatingFileHandler
from pathlib import Path

NAME = "tankround"
MOST_BYTES = 1_000_000
KEPT = 3  # older files beside the one written to


def log_file(logs: Path) -> Path:
    """Where a log folder's own log lies."""
    return logs / ".tankround" / "tankround.log"


def start(logs: Path) -> logging.Logger:
    """The logger, writing into the folder's log file; where none can be written it stays silent."""
    logger = logging.getLogger(NAME)
    logger.setLevel(logging.INFO)
    logger.propagate = False
    target = log_file(logs)
    if any(getattr(handler, "baseFilename", "") == str(target.resolve()) for handler in logger.handlers):
        return logger
    stop()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handler = RotatingFileHandler(target.resolve(), maxBytes=MOST_BYTES, backupCount=KEPT, encoding="utf-8")
    except OSError:  # a folder that may only be read
        logger.addHandler(logging.NullHandler())
        return logger
    handler.handleError = lambda record: None  # type: ignore[method-assign]  # a full disk: the command itself goes on
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    logger.addHandler(handler)
    return logger


def stop() -> None:
    """Close the log file."""
    logger = logging.getLogger(NAME)
    for handler in list(logger.handlers):
        logger.removeHandler(handler)
        with suppress(OSError):  # what was not written yet, on a full disk
            handler.close()
