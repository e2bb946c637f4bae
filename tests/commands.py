"""A command run in this process: as a user would type it, without the seconds that imports take."""

from __future__ import annotations

import sys
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from unittest import mock

from pipeline import cli


def run_command(*words: object) -> tuple[int, str, str]:
    """(exit code, what it prints, what it says on the error stream)."""
    out, err, code = StringIO(), StringIO(), 0
    line = ["tankround", *map(str, words)]
    with mock.patch.object(sys, "argv", line), redirect_stdout(out), redirect_stderr(err):
        try:
            cli.main()
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else int(stop.code is not None)
    return code, out.getvalue(), err.getvalue()
