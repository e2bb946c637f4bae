"""A progress bar on a terminal, and nothing in a pipe."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

# Called with the share done (0 to 1) and what is being done.
Progress = Callable[[float, str], None]


def silent(share: float, doing: str) -> None:
    """No progress is shown."""


@contextmanager
def reporting() -> Iterator[Progress]:
    """Yields the function to call as work goes on; the bar goes away at the end."""
    if not sys.stderr.isatty():
        yield silent
        return
    from rich.console import Console
    from rich.progress import Progress as Bar

    with Bar(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("opening", total=1.0)

        def show(share: float, doing: str) -> None:
            bar.update(task, completed=share, description=doing)

        yield show
