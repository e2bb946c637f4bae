"""How large the house is: `python -m tests.figures` prints its lines by room, its longest modules, and what nobody calls.

What nobody calls is looked for by vulture where it is installed (`pip install vulture`); names that only streamlit, click
or a schema call are left out.
"""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from importlib.util import find_spec
from pathlib import Path

from pipeline.review.evidence import EVIDENCE
from pipeline.review.rules import RULES

ROOT = Path(__file__).parents[1]
PRODUCT = ("schemas", "pipeline", "dashboard")
# Called by click, altair or logging; read by tests, by a template or from a file; or a key of a cache.
CALLED = (
    "list_commands,call,ring,assumptions,demo,_theme,handleError,content_mark,trough,visits_ago,working_now_pct,"
    "withdrawn_by,worked_kg,plateau_why,minutes_change"
)


def lines_of(path: Path) -> int:
    return path.read_text(encoding="utf-8").count("\n")


def main() -> None:
    files = {path.relative_to(ROOT): lines_of(path) for room in PRODUCT for path in (ROOT / room).rglob("*.py")}
    rooms = Counter[str]()
    for path, lines in files.items():
        rooms["/".join(path.parts[:2] if len(path.parts) > 2 else path.parts[:1])] += lines
    print(f"{sum(files.values()):6} lines of product code in {len(files)} modules")
    for room, lines in sorted(rooms.items()):
        print(f"{lines:6}   {room}")
    tests = sum(lines_of(path) for path in (ROOT / "tests").rglob("*.py"))
    print(f"{tests:6} lines of tests")
    longest = sorted(files.items(), key=lambda item: -item[1])[:5]
    print("longest modules:", ", ".join(f"{path} {lines}" for path, lines in longest))
    print("words of DEVELOPERS.md:", len((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split()))
    if find_spec("vulture") is None:
        print("vulture is not installed: what nobody calls was not looked for")
        return
    looked = ["pipeline", "dashboard"]
    # A rule of the review is found by what it returns, evidence by the name of its cause.
    called = ",".join([CALLED, *(found.__name__ for found in (*RULES, *EVIDENCE.values()))])
    dead = subprocess.run(
        [sys.executable, "-m", "vulture", *looked, "--min-confidence", "60", "--ignore-names", called],
        cwd=ROOT, capture_output=True, text=True,
    )  # fmt: skip
    print(dead.stdout or "vulture: nothing that nobody calls\n", end="")


if __name__ == "__main__":
    main()
