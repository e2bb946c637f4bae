"""Bytes to rows with line numbers, to cells as intervals, to canonical units: checked, or held with a reason."""

from pipeline.intake.check import check
from pipeline.intake.files import LogFile, find_files
from pipeline.intake.round_file import read_round
from pipeline.intake.sheets import Sheets, read_sheets

__all__ = ["LogFile", "Sheets", "check", "find_files", "read_round", "read_sheets"]
