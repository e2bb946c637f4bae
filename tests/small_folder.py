"""A small log folder on disk, written by hand: three tanks, one kit, a sheet a week."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from pathlib import Path

FIRST = dt.date(2026, 1, 5)
TODAY = dt.date(2027, 6, 1)
HEADER = "date,site,tank,taken,ammonia,nitrite,nitrate,ph,kh,kit,water_changed,note\n"
STANDING = {
    "round.toml": '[round]\nname = "Three invented tanks"\n',
    "sites.csv": "site,name,water_supply\nS1,Hall,mains\nS2,School,mains\n",
    "tanks.csv": "tank,site,name,net_l,set_up\nT1,S1,Lounge,200,2024-01-01\nT2,S1,Porch,120,2024-01-01\n"
    "T3,S2,Library,90,2024-01-01\n",
    "kits.csv": "kit,parameter,basis,steps\nK1,nitrate,NO3,0|3|11|26|47|83\nK1,nitrite,NO2,0|0.1|0.4|1\n",
    "media.csv": "medium,stage,quality,bulk_kg_l\ngood,biological,1,0.5\nfloss,fine,0,0.1\n",
    "filter_models.csv": "model,kind,rated_flow_l_h\nM,canister,900\n",
    "compartments.csv": "model,position,compartment,stage,medium,usable_l,depth_mm\n"
    "M,1,cup,fine,floss,1,50\nM,2,basket,biological,good,4,100\n",
    "filters.csv": "filter,model\nF1,M\nF2,M\n",
    "placements.csv": "filter,tank,from,to\nF1,T1,2024-01-01,\nF2,T2,2024-01-01,\n",
    "fills.csv": "filter,compartment,layer,medium,mass_kg,wetted,from\nF1,basket,1,good,1.5,2024-01-01,2024-01-01\n"
    "F2,basket,1,good,1.0,2024-01-01,2024-01-01\n",
}


def sheet_text(rows: Iterable[tuple[str, int, str, str, str]]) -> str:
    """A visit sheet of rows (tank, days after FIRST, nitrate, water changed, taken)."""
    lines = [
        f"{FIRST + dt.timedelta(days)},,{tank},{taken},0,0,{nitrate},7.2,5,K1,{changed},"
        for tank, days, nitrate, changed, taken in rows
    ]
    return HEADER + "".join(f"{line}\n" for line in lines)


def write_folder(folder: Path, weeks: int) -> Path:
    """The folder with a sheet a week; nitrate wanders over the kit's steps."""
    for name in ("visits", "services", "events"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    for name, text in STANDING.items():
        (folder / name).write_text(text)
    steps = ("3", "11", "11", "26", "11", "26", "47", "26")
    for week in range(weeks):
        rows = [
            (tank, 7 * week + place % 2, "11" if tank == "T1" else steps[(week + place) % len(steps)], "30%", "before")
            for place, tank in enumerate(("T1", "T2", "T3"))
        ]
        (folder / "visits" / f"week-{week:02}.csv").write_text(sheet_text(rows))
    return folder
