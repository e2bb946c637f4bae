"""Bytes to rows with line numbers, to cells as intervals, to canonical units: checked, or held with a reason."""

from pipeline.intake.check import check, check_parts
from pipeline.intake.files import LogFile, find_files
from pipeline.intake.meanings import with_readings
from pipeline.intake.partly import Delta, leans_on, read_partly
from pipeline.intake.round_file import read_round
from pipeline.intake.sheets import Sheets, read_sheets

__all__ = [
    "Delta",
    "LogFile",
    "Sheets",
    "check",
    "check_parts",
    "find_files",
    "leans_on",
    "read_partly",
    "read_round",
    "read_sheets",
    "with_readings",
]
