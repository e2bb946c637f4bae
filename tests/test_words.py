"""One word for one thing: no old word stands in anything a user reads, in the code or in what is printed.

Every string of the product is looked at, then what the commands and papers print of the demo round.
"""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from pipeline import cli
from schemas.words import CAUSES

ROOT = Path(__file__).parents[1]
WIDTH = 80  # columns of a plain terminal

# The old word, as a pattern, and what to say instead.
OLD = {
    r"\breckon": "calculated",
    r"\btelling\b|\btold\b": "a plain verb",
    r"\bheads? for\b|\bplateaus?\b": "levels off near",
    r"\bceilings?\b": "limit",
    r"\bripe(ns?)?\b": "mature",
    r"\bwants?\b": "needs",
    r"\bsettles? (nowhere|near|at)\b": "levels off near, does not level off",
    r"\brehom": "move",
    r"\b(days?|weeks?) late\b|\blate: ": "overdue by",
    r"quiet until|noted until": "alert paused until",
    r"\bload list\b": "van list",
    r"\b(plain|working) loads?\b": "bioload",
    r"\bkeepers?\b|\bpractitioners?\b": "you; the person responsible",
    r"\bsessions?\b": "visit",
    r"\baccount\b": "import summary",
    r"\bfigures?\b": "assumption, number",
    r"\bno tank we know\b|\bno tank is made up\b": "is not a known tank",
    r"\bpoisonous\b|\bat a stroke\b": "suddenly becomes harmful",
    r"(?-i:°dH)|° ?dKH": "dKH, dGH",
    r"\bstood still\b": "stopped",
    r"\bsour\b": "acid",
    r"\bof late\b": "lately, at recent visits",
    r"\bby itself\b": "without your help",
    r"\bwe owe you\b": "promised for",
    r"\brest we take out\b": "we remove the remaining nitrate by changing water",
    r"\bhalf the food\b": "halve the food",
    r"\blie about\b": "not yet typed",
    r"\bthe warmth\b": "too warm or too cold",
    r"\bexpect not known\b": "no expectation yet",
    r"\bhangs? on\b": "depends on",
    r"\bcan not\b": "cannot",
    r"(?<![\d.,–-])\b1 (weeks|days|visits|rows|files|tanks|readings|filters|months|hours|tests)\b": "the singular",
    r"/ not known %": "100 % / not known",
    r"\bpoints? to\b": "possible cause",
    r"\bcheck of filter\b|\bfilter checks?\b|\bdue a check\b|\bat the check\b": "service",
    r"\bdata to settle\b": "reading on hold",
}
BANNED = {re.compile(pattern, re.IGNORECASE): instead for pattern, instead in OLD.items()}

# What is no sentence: allowed words and JSON names of the log folder, basis marks, names of a file or column.
ALLOWED = re.compile(
    r"nitrate_ceiling|over_ceiling_probability|house\s+figures?\b|</?fig\w+"
    r"|\"(ceiling|plateau|account|told)\"|\.(ceiling|plateau|told)\b"
)
IDENTIFIER = re.compile(r"[a-z0-9]+([_.:-][a-z0-9]+)*", re.ASCII)  # a name in code: no space, no capital
SQL = re.compile(r"^\s*(select|with|create|insert|from)\b", re.IGNORECASE)
STYLES = re.compile(r"\{ ?[a-z-]+: ")  # rules of a style sheet
WORDS_OF_JSON = {*CAUSES, "rehome"}  # kinds of the plan, causes of a finding: the contract of the JSON outputs


def old_words(text: str) -> list[str]:
    """Each old word in a text and what to say instead."""
    text = ALLOWED.sub(" ", text)
    return [f"“{m.group()}” in “{text[max(0, m.start() - 40) : m.end() + 30].strip()}”: say {instead}"
            for pattern, instead in BANNED.items() for m in pattern.finditer(text)]  # fmt: skip


def strings(source: str) -> Iterator[tuple[int, str]]:
    """Every string of a module but its docstrings and names; a value put into an f-string is a dot of three."""
    tree = ast.parse(source)
    skip: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            skip.add(id(node.value))
        if isinstance(node, ast.JoinedStr):
            skip |= {id(part) for part in node.values}
            yield node.lineno, "".join(str(p.value) if isinstance(p, ast.Constant) else "…" for p in node.values)
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in skip:
            yield node.lineno, node.value


def is_sentence(text: str) -> bool:
    return not (IDENTIFIER.fullmatch(text) or SQL.match(text) or STYLES.search(text) or text in WORDS_OF_JSON)


def texts_of_toml(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for item in value.values():
            yield from texts_of_toml(item)
    elif isinstance(value, list):
        for item in value:
            yield from texts_of_toml(item)


def in_source(source: str) -> list[str]:
    return [f"{line}: {old}" for line, text in strings(source) if is_sentence(text) for old in old_words(text)]


def modules() -> list[Path]:
    return [p for room in ("pipeline", "schemas", "dashboard") for p in sorted((ROOT / room).rglob("*.py"))]


def test_no_old_word_in_the_strings_of_the_product() -> None:
    found = [f"{path.relative_to(ROOT)}:{old}" for path in modules() for old in in_source(path.read_text("utf-8"))]
    assert not found, "\n".join(found)


def test_no_old_word_in_settings_and_templates() -> None:
    found = []
    for path in [*sorted((ROOT / "pipeline").rglob("*.toml")), *sorted((ROOT / "schemas").rglob("*.toml"))]:
        # Places in braces are names of the code.
        texts = (re.sub(r"\{[^{}]*\}", "…", text) for text in texts_of_toml(tomllib.loads(path.read_text("utf-8"))))
        found += [f"{path.name}: {old}" for text in texts if is_sentence(text) for old in old_words(text)]
    for path in sorted((ROOT / "pipeline").rglob("*.typ")):
        # Names in the mark-up (it.ceiling, figure(…)) are code; what is printed stands in quotes or brackets.
        text = re.sub(r"\b[\w.]+\(|//.*|\b\w+\.[\w.]+", " ", path.read_text("utf-8"))
        found += [f"{path.name}: {old}" for old in old_words(text)]
    pages = [path for room in ("pipeline", "dashboard") for path in (ROOT / room).rglob("*.html")]
    for path in sorted([*pages, *(ROOT / "pipeline/printed").iterdir()]):
        text = re.sub(r"\{[{%#].*?[}%#]\}|<[^>]*>", " ", path.read_text("utf-8"))
        found += [f"{path.name}: {old}" for old in old_words(text)]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    "words",
    [
        "It heads for 52 mg/L", "over its ceiling of 40", "media is ripe in May", "it wants 2 kg", "the load list",
        "46 days late", "noted, quiet until May", "settles nowhere", "after 1 weeks", "KH 6 °dH", "it can not be said",
        "100 / not known %", "We reckon on it", "This points to overfeeding", "every row is in the account",
    ],
)  # fmt: skip
def test_an_old_word_put_back_is_found(words: str) -> None:
    assert in_source(f'def step():\n    """Docstrings may say ripe."""\n    return "{words}."')
    assert in_source(f'say = f"{{name}}: {words} today"')


@pytest.mark.parametrize(
    "code", ['"nitrate_ceiling"', '"over_ceiling_probability"', '"rehome"', '"told"', '"11 weeks"']
)
def test_names_and_plurals_pass(code: str) -> None:
    assert not in_source(f"x = {code}")


# -- what is printed -------------------------------------------------------------------------------------------------


def printed(*words: str) -> str:
    result = CliRunner().invoke(cli.app, list(words), env={"COLUMNS": str(WIDTH)})
    assert result.exit_code == 0, result.output
    return result.output


def names() -> list[str]:
    return sorted(cli.app.commands)


@pytest.mark.parametrize("command", [[], *([name] for name in names())], ids=lambda c: " ".join(c) or "all")
def test_help_fits_a_plain_terminal_and_has_no_old_word(command: list[str]) -> None:
    said = printed(*command, "--help")
    assert not re.search(r"\bo\.[A-Z]", said), "a name of our code"
    assert not old_words(said)
    assert max(map(len, said.splitlines())) <= WIDTH
    for line in said.splitlines():
        assert not (line.startswith("  ") and line.endswith("...")), line  # cut short: make the sentence shorter


def typed(folder: Path) -> list[str]:
    """What people typed into the log folder with an old word in it: their own words, printed as they are."""
    texts = [path.read_text("utf-8", errors="replace") for path in folder.rglob("*.csv")]
    cells = {cell.strip('" ') for text in texts for cell in re.split(r"[,;\n]", text)}
    return sorted((cell for cell in cells if old_words(cell)), key=len, reverse=True)


def without(text: str, own_words: list[str]) -> str:
    for words in own_words:
        text = text.replace(words, " ")
    return text


@pytest.mark.parametrize(
    "command",
    [
        ["load", "LOGS"], ["review", "LOGS"], ["held", "LOGS"], ["assumptions", "LOGS"], ["plan", "LOGS"],
        ["will-it-do", "LOGS", "--net-l", "250"], ["will-it-do", "LOGS", "--net-l", "250", "--letter"],
        ["will-it-do", "LOGS", "--gross-l", "90", "--stocking", "heavy", "--letter"],
    ],
    ids=" ".join,
)  # fmt: skip
def test_no_old_word_is_printed(command: list[str], demo_logs: Path) -> None:
    from pipeline import weekly

    week = weekly.open_week(demo_logs)
    call = [str(demo_logs) if word == "LOGS" else word for word in command]
    calls = [call]
    if command[0] == "will-it-do":
        calls = [[*call, "--model", str(week.table("filter_model")["model"][0])]]
    if command[0] == "plan":
        calls = [[*call, "--tank", tank] for tank in week.table("tank")["tank"].sort()[:8:2]]
    said = without("\n".join(printed(*call) for call in calls), typed(demo_logs))
    assert not old_words(said), "\n".join(old_words(said))
    assert not re.search(r"\bNone\b(?! of)|\bnan\b|\binf\b|∞", said)


def test_no_old_word_on_the_papers(demo_logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The words are looked for in the HTML; the PDFs that come with it are not drawn.
    monkeypatch.setattr("typst.compile_with_warnings", lambda *_, **__: (b"%PDF-", []))
    monkeypatch.setattr("typst.compile", lambda *_, **__: b"%PDF-")
    site = next(iter((demo_logs / "sites.csv").read_text("utf-8").splitlines()[1:])).split(",")[0]
    printed(
        "sheets",
        str(demo_logs),
        "--site",
        "plumfennel",
        "--site",
        "inkpebble",
        "--out",
        str(tmp_path / "sheets"),
        "--html",
    )
    days = ("--from", "2026-05-01", "--to", "2026-05-31")
    printed("report", str(demo_logs), "--site", site, *days, "--out", str(tmp_path / "report"))
    pages = sorted(tmp_path.rglob("*.html"))
    assert len(pages) > 2
    own = typed(demo_logs)
    found = []
    for page in pages:
        text = re.sub(r"<style>.*?</style>|<[^>]+>", " ", page.read_text("utf-8"), flags=re.DOTALL)
        found += [f"{page.name}: {old}" for old in old_words(without(text, own))]
    assert not found, "\n".join(found)
