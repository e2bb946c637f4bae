"""The commands as a person runs them: what they print, how they end."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner, Result

from pipeline import cli
from pipeline.cli import app
from tests.commands import run_command
from tests.conftest import DEMO_DAY
from tests.loads import checked
from tests.small_folder import write_folder

README = Path(__file__).parents[1] / "README.md"
OUTCOMES = ("accepted", "converted", "warned", "part_held", "held", "repeats")


def run(*words: str) -> Result:
    return CliRunner().invoke(app, list(words))


def test_version_answers_without_the_heavy_libraries() -> None:
    code = (
        "import sys, pipeline.cli\n"
        "try:\n"
        "    pipeline.cli.main()\n"
        "except SystemExit as end:\n"
        "    heavy = {'polars', 'duckdb', 'pandera', 'streamlit', 'altair', 'pandas'}\n"
        "    print(end.code, sorted(heavy & set(sys.modules)))\n"
    )
    root = str(Path(__file__).parents[1])
    done = subprocess.run(
        [sys.executable, "-c", code, "--version"], capture_output=True, text=True, cwd=root, check=True
    )
    assert re.match(r"tankround \d+\.\d+\.\d+\n0 \[\]\n", done.stdout), done.stdout


def test_a_week_that_stands_is_told_without_what_only_a_load_needs(demo_logs: Path) -> None:
    code = (
        "import datetime, sys, pipeline.cli, pipeline.weekly\n"
        f"pipeline.weekly._today = lambda: datetime.date({DEMO_DAY:%Y, %-m, %-d})\n"
        "for command in ('held', 'review'):\n"
        "    pipeline.cli.app([command, sys.argv[1]], standalone_mode=False)\n"
        "    print('---')\n"
        "print(sorted({'pandera', 'pandas', 'streamlit', 'altair', 'typst'} & set(sys.modules)), file=sys.stderr)\n"
    )
    root = str(Path(__file__).parents[1])
    done = subprocess.run([sys.executable, "-c", code, str(demo_logs)], capture_output=True, text=True, cwd=root)
    assert done.stderr.strip() == "[]", done.stderr
    assert all(told.strip() for told in done.stdout.split("---")[:2])


def test_a_load_does_without_pandas(tmp_path: Path) -> None:
    code = "import sys; from pipeline.cli import app; app(['load', sys.argv[1]], standalone_mode=False); print(sorted({'pandas', 'pandera'} & set(sys.modules)))"
    write_folder(tmp_path / "logs", weeks=3)
    root = str(Path(__file__).parents[1])
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "logs")], capture_output=True, text=True, cwd=root
    )
    assert done.stdout.splitlines()[-1] == "['pandera']", done.stderr


def test_load_prints_an_account_that_adds_up(demo_logs: Path) -> None:
    result = run("load", str(demo_logs), "--format", "json")
    assert result.exit_code == 0, result.output
    account = json.loads(result.stdout)
    assert account["rows_in"] == sum(account[name] for name in OUTCOMES) > 500
    for file in account["files"]:
        assert file["rows_in"] == sum(file[name] for name in OUTCOMES), file
    assert account["rows_in"] == sum(file["rows_in"] for file in account["files"])
    text = run("load", str(demo_logs)).stdout
    assert "Nothing new since the last load." in text
    assert "Not read" not in text
    assert f"= {account['rows_in']}:" in text


def test_review_has_every_key_and_counts_that_add_up(demo_logs: Path) -> None:
    result = run("review", str(demo_logs), "--format", "json")
    assert result.exit_code == 0, result.output
    week = json.loads(result.stdout)
    assert set(week) >= {"as_of", "counts", "tanks"}
    assert sum(week["counts"].values()) == len(week["tanks"])
    keys = {"tank", "name", "site", "class", "findings", "rating", "nitrate", "water", "last_reading", "held", "due"}
    for tank in week["tanks"]:
        assert keys <= set(tank)
    for word in ("NaN", "Infinity"):
        assert word not in result.stdout


def test_review_as_text_names_every_tank_and_the_cautions(demo_logs: Path) -> None:
    text = run("review", str(demo_logs)).stdout
    week = json.loads(run("review", str(demo_logs), "--format", "json").stdout)
    for tank in week["tanks"]:
        assert tank["name"] in text
    assert "Power off at the wall" in text
    assert not re.search(r"\b(nan|None|null)\b", text)


def test_review_as_of_an_earlier_day(demo_logs: Path) -> None:
    week = json.loads(run("review", str(demo_logs), "--as-of", "2026-02-02", "--format", "json").stdout)
    assert week["as_of"] == "2026-02-02"


def test_held_lists_file_line_and_reason(demo_logs: Path) -> None:
    rows = json.loads(run("held", str(demo_logs), "--format", "json").stdout)
    assert rows
    for row in rows:
        assert set(row) == {"file", "line", "column", "text", "reason", "suggestion", "tank"}
        assert row["reason"].endswith((".", "?"))
    text = run("held", str(demo_logs)).stdout
    assert rows[0]["file"] in text


def test_assumptions_say_value_unit_basis_and_override(tmp_path: Path) -> None:
    (tmp_path / "round.toml").write_text("[assumptions]\nlitres_per_kg = 90\nlitre_per_kg = 3\n")
    rows = json.loads(run("assumptions", str(tmp_path), "--format", "json").stdout)
    mine = next(row for row in rows if row["name"] == "litres_per_kg")
    assert (mine["value"], mine["built_in"], mine["unit"]) == (90, 100, "L/kg")
    done = run("assumptions", str(tmp_path))
    assert "litres_per_kg = 90 L/kg" in done.stdout
    assert "“litre_per_kg” is not an assumption" in done.stderr
    assert "common practice, no source" in done.stdout


def test_new_makes_templates_that_load_and_an_example_that_is_not_read(tmp_path: Path) -> None:
    logs = tmp_path / "mine"
    assert run("new", str(logs)).exit_code == 0
    account = checked(logs, DEMO_DAY)[0]["account"]
    assert account["rows_in"].sum() == 0
    assert not account["file"].str.starts_with("example").any()
    example, *_ = checked(logs / "example", DEMO_DAY)
    told = example["account"].select(pl.sum("rows_in", "accepted", "converted")).row(0)
    assert told[0] == told[1] + told[2] > 15, example["held"]
    code, _, told = run_command("new", logs)
    assert code == 1
    assert "Nothing written" in told


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["review", "nowhere"], 1, "is not there"),
        (["review", "README.md"], 1, "is a file, not a folder"),
        (["review", "sample_logs", "--as-of", "01/06/2026"], 2, "is not a date"),
        (["review", "sample_logs", "--format", "xml"], 2, "expected text or json"),
        (["plan", "sample_logs"], 2, "--tank"),
        (["nonsense"], 2, "nonsense"),
        (["will-it-do", "sample_logs", "--model", "x"], 2, "--net-l"),
    ],
)
def test_wrong_use_and_could_not_end_in_a_sentence(words: list[str], code: int, said: str) -> None:
    ended, _, told = run_command(*words)
    assert ended == code, told
    assert said in told
    assert "Traceback" not in told


def test_an_unknown_tank_or_model_or_site_is_a_sentence(demo_logs: Path, tmp_path: Path) -> None:
    for words in (
        ["plan", str(demo_logs), "--tank", "nope"],
        ["will-it-do", str(demo_logs), "--model", "nope", "--net-l", "100"],
        [
            "report",
            str(demo_logs),
            "--site",
            "nope",
            "--from",
            "2026-05-01",
            "--to",
            "2026-06-01",
            "--out",
            str(tmp_path),
        ],
        ["sheets", str(demo_logs), "--site", "nope", "--out", str(tmp_path)],
    ):
        code, _, told = run_command(*words)
        assert code == 1, (words, told)
        assert "nope" in told
        assert "Traceback" not in told


def test_every_command_is_in_the_readme_and_has_help() -> None:
    text = README.read_text("utf-8")
    assert len(cli.app.commands) > 10
    for name, command in cli.app.commands.items():
        assert f"tankround {name}" in text, name
        assert command.help, name


def test_demo_copies_loads_and_prints_the_review(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for said in ("copied to", "reusing"):
        code, out, told = run_command("demo", "--no-dashboard")
        assert code == 0, told
        assert said in out
        assert "invented" in out
        assert "rows read from" in out


def test_the_readme_shows_the_account_that_the_demo_has(demo_logs: Path) -> None:
    told = run_command("load", demo_logs)[1].splitlines()
    shown = README.read_text("utf-8")
    for line in told[:8]:
        assert line in shown, line
