"""A parameter more is one record in schemas/parameters.toml and its limits: a folder with its column loads and shows it."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

from tests.small_folder import write_folder

ROOT = Path(__file__).parents[2]
RECORD = """[chlorine]
title = "Chlorine"
unit = "mg/L Cl2"
plain = "chlorine"
bases = { cl2 = "" }
aliases = { cl = "" }
in_tap = true
alarms = true

[flow_l_h]
"""
LIMIT = """chlorine_hold_above = { value = 5.0, unit = "mg/L Cl2", basis = "house figure", what = "Chlorine above this is held" }
nitrite_hold_above ="""
LOOK = """
import sys, json, datetime as dt
from pathlib import Path
from pipeline import weekly
from schemas.columns import describe
from schemas.visits import VisitSheet
week = weekly.open_week(Path(sys.argv[1]), today=dt.date(2026, 6, 20))
reading = week.table("reading").filter(parameter="chlorine")
print(json.dumps({
    "readings": reading.select("tank", "low", "high", "text").rows(),
    "held": week.table("held").filter(column="chlorine").select("reason").rows(),
    "remarks": week.table("remark").filter(column="chlorine").select("says").to_series().to_list(),
    "tap": week.table("tap").filter(parameter="chlorine")["matched"].to_list(),
    "unknown": week.table("unknown_column").height,
    "title": describe(VisitSheet)["chlorine"].title,
}))
"""


def with_chlorine(place: Path) -> None:
    """The code as a developer would have it who has added the record and its limit, and nothing else."""
    for room in ("pipeline", "schemas"):
        shutil.copytree(ROOT / room, place / room, ignore=shutil.ignore_patterns("__pycache__"))
    for name, old, new in (
        ("schemas/parameters.toml", "[flow_l_h]\n", RECORD),
        ("pipeline/assumptions.toml", "nitrite_hold_above =", LIMIT),
    ):
        text = (place / name).read_text()
        assert text.count(old) == 1
        (place / name).write_text(text.replace(old, new))


def test_chlorine_is_one_record_and_its_limit(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "logs", weeks=0)
    (folder / "tap.csv").write_text("water_supply,date,chlorine\nmains,2026-06-01,0.4\n")
    (folder / "kits.csv").write_text("kit,parameter,basis,steps\nK9,chlorine,Cl2,0|0.1|0.5|1\n")
    (folder / "visits" / "wide.csv").write_text("date,tank,Cl,kit\n2026-06-12,T1,0.1,K9\n2026-06-12,T2,9,\n")
    (folder / "visits" / "long.csv").write_text("date,tank,parameter,value,kit\n2026-06-13,T3,chlorine,0,K9\n")
    with_chlorine(tmp_path / "code")
    done = subprocess.run(
        [sys.executable, "-c", LOOK, str(folder)], cwd=tmp_path / "code", capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["readings"] == [["T3", 0.0, 0.05, "0"], ["T1", 0.05, 0.3, "0.1"]]
    assert told["held"] == [["Chlorine “9” is outside what is accepted (under 5 mg/L Cl2)."]]
    assert told["remarks"] == ["Chlorine is not 0."]
    assert told["tap"] == [0.4]
    assert (told["unknown"], told["title"]) == (0, "Chlorine")
