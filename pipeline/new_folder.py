"""An empty log folder with headed templates and filled examples; and a copy of the demo round."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path

from pipeline import safe_write
from pipeline.problems import Problem
from schemas import FAMILIES, Family
from schemas.columns import describe

HERE = Path(__file__).parent
# One small round that hangs together: a test loads it, and every row of it must be accepted.
EXAMPLE_ROUND = HERE / "example_round"

ROUND_TOML = """\
# What is true of the whole round. Lines that begin with # are notes; take the # away to use one.
[round]
name = "My round"
date_order = "iso"          # how dates are typed: iso (2026-06-01), day-first or month-first
visit_every_days = 7

[units]
# gallon = "imperial"       # or "US"; without it a bare "gal" is held

[assumptions]
# litres_per_kg = 100       # `tankround assumptions` lists every name

[prices]
# visit = 35.0
# water_m3 = 4.0
# carbon = 9.0
# [prices.media]            # per kilogram, by medium
# pumice = 12.0
# [prices.filters]          # by model
# quern = 140.0

[van]
# payload_kg = 600
# container_l = 20

[dosing]
# conditioner_ml_per_l = 0.1
"""


def headers(family: Family) -> list[str]:
    """The header names of a family's CSV, in order; where a row came from is not typed."""
    names = dict(family.csv_names)
    told = [n for n in describe(family.model) if n not in ("file", "line", "state")]
    return [names.get(name, name) for name in told]


def file_name(family: Family, month: str = "2026-05") -> str:
    """The file a family is written to: visits/*.csv becomes visits/2026-05.csv."""
    return family.pattern.replace("*", month)


def template(family: Family) -> str:
    """An empty CSV: the header line alone."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(headers(family))
    return text.getvalue()


def make_folder(folder: Path) -> list[Path]:
    """Write templates into a new or empty folder, and the filled example under example/; returns the files."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Problem(f"{folder} is there already and is not an empty folder; expected a new name. Nothing written.")
    texts = {"round.toml": ROUND_TOML} | {file_name(family): template(family) for family in FAMILIES}
    for example in sorted(EXAMPLE_ROUND.rglob("*.*")):
        texts[f"example/{example.relative_to(EXAMPLE_ROUND).as_posix()}"] = example.read_text("utf-8")
    for name, text in texts.items():
        path = folder / name
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        except OSError as error:
            raise Problem(f"{path} could not be written: {error.strerror}. Choose a folder you may write to.") from None
    return [folder / name for name in texts]


def demo_source() -> Path:
    """The demo round: inside an installed package, or at the top of a checkout."""
    packaged = HERE / "sample_logs"
    return packaged if packaged.is_dir() else HERE.parent / "sample_logs"


def copy_demo(target: Path) -> bool:
    """Copy the demo round; False when an earlier copy is there and is reused."""
    if target.is_dir() and (target / "round.toml").is_file():
        return False
    if target.exists():
        raise Problem(f"{target} is there but holds no round.toml; expected a demo round or nothing. Move it away.")
    start, end = safe_write.beside(target.absolute())
    beside = target.absolute().with_name(f"{start}demo{end}")
    try:  # beside first: half a copy would be taken for an earlier one
        shutil.copytree(demo_source(), beside, ignore=shutil.ignore_patterns(".tankround"))
        beside.rename(target)
    except OSError as error:
        shutil.rmtree(beside, ignore_errors=True)
        raise safe_write.explained(error, target) from None
    return True
