"""The house holds: which room may import which, who speaks SQL, how long a module may grow (DEVELOPERS.md)."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
LEAVES = (
    "assumptions",
    "units",
    "wording",
    "console",
    "markup",
    "problems",
    "progress",
    "safe_write",
    "sentences",
    "week",
)
ROOMS = ("intake", "store", "calc", "review", "advise", "papers")
LONGEST = 400  # lines
PRODUCT = ("pipeline", "dashboard", "schemas")
# What once stood for "text", "rows", "request" and much more.
PRIVATE = re.compile(r"_*(\w+_)?(?i:told|tellings?|said|saying|asks|desk|words_of)|_*(?i:told|said)_\w+|Some|Given")

# What each may import of ours, by dotted prefix; its own room always.
LEAF_NAMES = frozenset(f"pipeline.{leaf}" for leaf in LEAVES)
COMMON = frozenset({"schemas"}) | LEAF_NAMES
MAY_IMPORT: dict[str, frozenset[str]] = {
    "schemas": frozenset(),
    **dict.fromkeys(LEAF_NAMES, COMMON),
    "pipeline.intake": COMMON,
    "pipeline.store": COMMON,
    "pipeline.calc": COMMON,
    "pipeline.review": COMMON | {"pipeline.calc"},
    "pipeline.advise": COMMON | {"pipeline.calc", "pipeline.review"},
    "pipeline.papers": COMMON | {"pipeline.calc", "pipeline.review", "pipeline.advise"},
    "pipeline.log": frozenset(),
    "pipeline.options": frozenset({"pipeline.problems"}),
    "pipeline.logbook": COMMON,
    "pipeline.weekly": COMMON
    | {"pipeline.derive", "pipeline.parts", "pipeline.reuse"}
    | {f"pipeline.{room}" for room in ROOMS},
    "pipeline.derive": COMMON | {"pipeline.parts", "pipeline.reuse", "pipeline.calc", "pipeline.review"},
    "pipeline.parts": frozenset({"pipeline.problems", "pipeline.reuse"}),
    "pipeline.reuse": frozenset({"pipeline.assumptions", "pipeline.week", "schemas"}),
    "pipeline.trial": COMMON | {"pipeline.intake"},
    "pipeline.new_folder": COMMON | {"pipeline.intake"},
    "pipeline.frames": COMMON | {"pipeline.weekly"},
    "pipeline.tankround": frozenset({"pipeline.frames"}),
    "pipeline.from_sheet": COMMON | {"pipeline.intake", "pipeline.logbook", "pipeline.new_folder"},
}
# A query starts its string in any case, or has its keywords in capitals anywhere.
SQL = re.compile(
    r"^\s*(?i:select\s.+\sfrom\s|insert\s+into\s|create\s+(or\s+replace\s+)?(table|view)\s|with\s+\w+\s+as\s*\()"
    r"|\bSELECT\s.+\sFROM\s|\bINSERT\s+INTO\s|\bCREATE\s+(OR\s+REPLACE\s+)?(TABLE|VIEW)\s",
    re.DOTALL,
)


def modules(root: Path, *parts: str) -> list[Path]:
    """The Python files under some folders or the file itself."""
    found: list[Path] = []
    for part in parts:
        place = root / part
        found += [place] if place.is_file() else sorted(place.rglob("*.py"))
    return found


@cache
def nodes(path: Path, changed: float) -> list[ast.AST]:
    """All of a module, parsed once for all the rules."""
    return list(ast.walk(ast.parse(path.read_text("utf-8"))))


def all_of(path: Path) -> list[ast.AST]:
    return nodes(path, path.stat().st_mtime_ns)


def imports(path: Path) -> Iterable[str]:
    """Every module a file imports, whether at the top, inside a function or only for its types."""
    for node in all_of(path):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: a relative import hides which room it comes from"
            assert node.module
            # `from pipeline import week` imports the module pipeline.week
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def within(name: str, prefix: str) -> bool:
    return name == prefix or name.startswith(prefix + ".")


def ours(name: str) -> bool:
    return any(within(name, top) for top in ("schemas", "pipeline", "dashboard", "tests"))


def strays(root: Path, room: str, allowed: frozenset[str]) -> list[str]:
    """Imports of a room or module that its row in MAY_IMPORT does not allow."""
    place = root / room.replace(".", "/")
    files = modules(root, str(place.relative_to(root))) if place.is_dir() else [place.with_suffix(".py")]
    return [
        f"{path.relative_to(root)} imports {name}"
        for path in files
        for name in imports(path)
        if ours(name) and not any(within(name, prefix) for prefix in allowed | {room})
    ]


def dotted(path: Path, root: Path) -> str:
    return ".".join(path.relative_to(root).with_suffix("").parts)


def sql_strings(path: Path) -> list[str]:
    """String literals that read like a query; docstrings are prose and are left out."""
    prose = {
        id(body[0].value)
        for node in all_of(path)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and (body := node.body)
        and isinstance(body[0], ast.Expr)
    }
    return [
        node.value
        for node in all_of(path)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and id(node) not in prose
        and SQL.search(node.value)
    ]


@pytest.mark.parametrize("room", sorted(MAY_IMPORT))
def test_a_room_imports_only_what_it_may(room: str) -> None:
    assert strays(ROOT, room, MAY_IMPORT[room]) == []


def test_nothing_below_imports_the_dashboard_the_commands_or_the_tests() -> None:
    """The commands alone start the dashboard."""
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in modules(ROOT, "schemas", "pipeline")
        for name in imports(path)
        if (within(name, "dashboard") and dotted(path, ROOT) != "pipeline.cli")
        or within(name, "tests")
        or within(name, "pipeline.cli")
    ]
    assert wrong == []


def test_only_weekly_strings_the_rooms_together() -> None:
    """`cli.py` and `dashboard/` call weekly, the papers and plans, and the named queries; never the calculation."""
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in modules(ROOT, "pipeline/cli.py", "dashboard")
        for name in imports(path)
        if within(name, "pipeline.calc")
    ]
    assert wrong == []


def test_every_module_of_the_pipeline_has_its_row_here() -> None:
    known = set(MAY_IMPORT) | {"pipeline.cli", "pipeline.__init__"}
    homeless = [
        name
        for path in modules(ROOT, "pipeline")
        if not any(within(name := dotted(path, ROOT), place) for place in known)
    ]
    assert homeless == []


def test_only_the_store_speaks_to_duckdb() -> None:
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in modules(ROOT, "schemas", "pipeline", "dashboard")
        for name in imports(path)
        if within(name, "duckdb") and not within(dotted(path, ROOT), "pipeline.store")
    ]
    assert wrong == []


def test_only_the_store_writes_sql() -> None:
    wrong = {
        str(path.relative_to(ROOT)): found
        for path in modules(ROOT, "schemas", "pipeline", "dashboard")
        if not within(dotted(path, ROOT), "pipeline.store") and (found := sql_strings(path))
    }
    assert wrong == {}


def test_no_module_grows_too_long() -> None:
    long = {
        str(path.relative_to(ROOT)): lines
        for path in modules(ROOT, "schemas", "pipeline", "dashboard", "tests")
        if (lines := len(path.read_text("utf-8").splitlines())) > LONGEST
    }
    assert long == {}


def private_names(path: Path) -> set[str]:
    """Names of a module that are nobody's terms: a name says what its value is."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    names |= {node.arg for node in ast.walk(tree) if isinstance(node, ast.arg)}
    names |= {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.ClassDef)} | {path.stem}
    return {name for name in names if PRIVATE.fullmatch(name)}


def test_names_are_the_fields() -> None:
    found = {str(path): names for path in modules(ROOT, *PRODUCT) if (names := private_names(path))}
    assert found == {}


def test_the_rules_can_fail(tmp_path: Path) -> None:
    """A wrong import, at the top, inside a function or as a name of the package, is seen; so are a query and a name."""
    room = tmp_path / "pipeline" / "intake"
    room.mkdir(parents=True)
    (room / "a.py").write_text("import pipeline.store.publish\nfrom schemas import Tables\n")
    (room / "b.py").write_text("def f():\n    from pipeline import weekly\n    return weekly\n")
    (room / "c.py").write_text("from pipeline.intake.a import x\nimport polars\n")
    assert strays(tmp_path, "pipeline.intake", MAY_IMPORT["pipeline.intake"]) == [
        "pipeline/intake/a.py imports pipeline.store.publish",
        "pipeline/intake/b.py imports pipeline.weekly",
    ]
    (room / "d.py").write_text(
        '"""Select one from many."""\nq = "SELECT tank FROM reading"\np = "Choose a tank: select it from here"\n'
    )
    assert sql_strings(room / "d.py") == ["SELECT tank FROM reading"]
    (room / "e.py").write_text("told = 1\n\n\ndef f(rows_said): ...\n")
    assert private_names(room / "e.py") == {"told", "rows_said"}
