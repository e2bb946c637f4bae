"""What the review says is behind incidents whose truth is known: a row a kind.

Run `python -m tests.bench.bench_causes` from the project root: it writes a log folder of every kind of incident, loads
it, reviews it in weeks after the onset, and prints how many were offered, and first, how soon the tank
was flagged, and what healthy tanks were told. `--groups 8` sets the incidents a kind.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import derive, review, weekly
from pipeline.calc.kit_shift import hold_down
from pipeline.week import Week
from tests import incidents
from tests.incident_world import FIRST, ONSET, day_of

LOUD = ("act today", "this week", "can't say", "plan", "due")
WEEKS = 8


def reviews(folder: Path) -> dict[int, dict[str, Any]]:
    """The review as JSON by visit, of the visits from before the first onset on."""
    week = weekly.open_week(folder)
    found = {}
    for visit in (-2, -1, 0, 1, 2, 3, 5, 7):
        visit += ONSET
        as_of = day_of(visit)
        asks = derive.requests_of(week.tables, [as_of])
        now = hold_down(derive.calc(week.tables, asks, week.assumed, week.round), week.tables, week.assumed)
        now["explanation"] = derive.explained(week.tables, asks, week.assumed)
        now |= review.ranked(derive.looked_at({**week.tables, **now}, asks, week.assumed, week.round))
        then = Week(folder, week.round, week.assumed, as_of, week.loaded_on, {**week.tables, **now})
        found[visit] = {row["tank"]: row for row in review.as_json(then)["tanks"]}
    return found


def told(row: dict[str, Any]) -> list[str]:
    """The causes of all findings of a tank, those of the gravest first, each once."""
    names = [
        c["cause"]
        for f in sorted(row["findings"], key=lambda f: LOUD.index(f["class"]) if f["class"] in LOUD else 9)
        for c in f["causes"]
    ]
    return list(dict.fromkeys(names))


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--groups", type=int, default=8)
    ask.add_argument("--healthy", type=int, default=10)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--kind", action="append")
    ask.add_argument("--show", action="store_true", help="print what was told instead")
    args = ask.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        truth = incidents.write(folder, args.groups, args.healthy, args.seed, args.kind)
        begun = time.perf_counter()
        found = reviews(folder)
        print(f"{len(truth)} tanks loaded and reviewed in {len(found)} weeks: {time.perf_counter() - begun:.0f} s")
    score(truth, found, args.show)


def score(truth: list[incidents.Happened], found: dict[int, dict[str, Any]], show: bool) -> None:
    rows: dict[str, list[tuple[float, bool, bool, bool, bool, bool]]] = defaultdict(list)
    instead: dict[str, Counter[str]] = defaultdict(Counter)
    quiet: Counter[str] = Counter()
    offered_to_healthy: Counter[str] = Counter()
    rules: Counter[str] = Counter()
    for one in truth:
        onset = (one.onset - FIRST).days // 7
        if one.cause is None:
            for visit in found:
                row = found[visit].get(one.tank)
                if row is None:
                    continue
                quiet[row["class"]] += 1
                rules.update(f"{f['class']}: {f['rule']}" for f in row["findings"] if f["class"] not in ("steady",))
                offered_to_healthy.update(told(row))
            continue
        flagged, at_flag, ever, at_end, first, three = np.inf, False, False, False, False, False
        for visit in (v for v in found if onset <= v <= onset + WEEKS):
            row = found[visit].get(one.tank)
            before = found[onset - 1].get(one.tank) if onset - 1 in found else None
            if row is None:
                continue
            known = {f["rule"] for f in before["findings"]} if before else set()
            loud = [f for f in row["findings"] if f["class"] in LOUD and f["rule"] not in known]
            names = told(row)
            if one.cause in names:
                ever = True
                if not three:
                    three = one.cause in names[:3]
                    first = names[0] == one.cause
            if loud and not np.isfinite(flagged):
                flagged, at_flag = 7.0 * (visit - onset), one.cause in names
            if loud and one.cause not in names:
                instead[one.kind].update(names[:3] or ["none"])
            at_end = one.cause in names
        rows[one.kind].append((flagged, at_flag, ever, at_end, first, three))
    print(
        f"{'kind':<26}{'n':>4}{'flagged':>9}{'days':>6}{'at flag':>9}{'ever':>7}{'end':>6}{'in 3':>6}{'first':>7}   told instead"
    )
    total = np.zeros(5)
    for kind, several in rows.items():
        table = np.array([[np.isfinite(r[0]), *r[1:]] for r in several], float)
        days = np.median([r[0] for r in several])
        share = 100 * table.mean(axis=0)
        total += np.array([share[1], share[2], share[3], share[5], share[4]])
        other = ", ".join(f"{name} {n}" for name, n in instead[kind].most_common(4))
        print(
            f"{kind:<26}{len(several):>4}{share[0]:>8.0f}%{days:>6.0f}{share[1]:>8.0f}%{share[2]:>6.0f}%{share[3]:>5.0f}%{share[5]:>5.0f}%{share[4]:>6.0f}%   {other}"
        )
    total /= max(len(rows), 1)
    print(
        f"mean of kinds: at flag {total[0]:.0f} %, ever {total[1]:.0f} %, end {total[2]:.0f} %, in three {total[3]:.0f} %, first {total[4]:.0f} %"
    )
    harmful = [
        r
        for o, r in zip((o for o in truth if o.cause), (r for several in rows.values() for r in several), strict=False)
        if o.harmful
    ]
    print(
        f"harmful: flagged {100 * np.mean([np.isfinite(r[0]) for r in harmful]) if harmful else 0:.0f} %, median {np.median([r[0] for r in harmful]) if harmful else 0:.0f} days"
    )
    weeks = sum(quiet.values())
    print(
        f"healthy, {weeks} tank-weeks: "
        + ", ".join(f"{name} {100 * n / max(weeks, 1):.1f} %" for name, n in quiet.most_common())
    )
    print("  rules: " + ", ".join(f"{name} {100 * n / max(weeks, 1):.1f} %" for name, n in rules.most_common(12)))
    print(
        "  causes offered: "
        + ", ".join(f"{name} {100 * n / max(weeks, 1):.1f} %" for name, n in offered_to_healthy.most_common(12))
    )
    sys.exit(0)


if __name__ == "__main__":
    main()
