"""The nitrate engine measured on simulated tanks whose truth is known, row by row of the table it has to meet.

Run `python -m tests.bench.bench_nitrate` from the project root; it prints every row as required, measured and ok or
NOT, then the rivals and the speed. `--tanks 400` makes it quicker and rougher. Exit 1 where a row is not met.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.assumptions import built_in
from pipeline.calc.balance_rows import build_rows
from pipeline.calc.balance_windows import NUMBER, batches, spans_of_weeks
from pipeline.calc.nitrate import calculate_arrays, calculate_nitrate
from pipeline.calc.nitrate_design import design
from pipeline.calc.nitrate_fit import RISE, TAP, corrected_least_squares, fit
from pipeline.calc.nitrate_steps import alarms, scan, scan_visits
from pipeline.week import Round
from tests.reference_fit import SlowTank
from tests.reference_statistics import mann_kendall, theil_sen_slope
from tests.simulate import Simulated, World, simulate
from tests.simulated_round import HELD_ABOVE, day_of, tables_of, tank_names

FIGURES = built_in()
WEEKLY, FORTNIGHTLY = World(gap_days=7, visits=27), World(gap_days=14, visits=14)
failed: list[str] = []


def row(quantity: str, required: str, measured: str, ok: bool | None) -> None:
    """Print one row; `ok` None is for information."""
    verdict = "" if ok is None else "ok" if ok else "NOT"
    print(f"{quantity:<58} {required:>18}  {measured:<40} {verdict}", flush=True)
    if ok is False:
        failed.append(quantity)


def asks_of(sim: Simulated, visit: int) -> pl.DataFrame:
    return pl.DataFrame({"tank": tank_names(sim)}).with_columns(as_of=pl.lit(day_of(sim, visit)))


def world(base: World, tanks: int, seed: int, **changed: object) -> Simulated:
    return simulate(replace(base, **changed), tanks, seed)  # type: ignore[arg-type]


def rms(error: np.ndarray) -> float:
    return float(np.sqrt(np.mean(error**2)))


def mean_rise(sim: Simulated, first: int, last: int) -> np.ndarray:
    """True mean rise of the intervals from visit `first` to `last`."""
    return sim.rise[first + 1 : last + 1].mean(axis=0)


def least_squares(sim: Simulated, visits: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rivals on all that was typed: corrected least squares, raw least squares, Theil–Sen slope [mg/L per day].

    A spreadsheet knows neither cells nor limits: a reading is what was typed, slips included.
    """
    rows = build_rows(tables_of(sim, visits, held_above=np.inf), tank_names(sim), FIGURES)
    typed = np.where(np.isfinite(rows.matched), rows.matched, 0.0)
    low = np.where(rows.reading, np.maximum(typed, 1e-6), 0.0)
    rows = replace(rows, low=low, high=np.where(rows.reading, low, np.inf))
    every = np.arange(len(rows.tanks))
    wanted = spans_of_weeks(rows, every, np.full(len(every), rows.day.max()), np.full(len(every), 26.0))
    out = np.full((3, len(every)), np.nan)
    for part in batches(rows, wanted, FIGURES):
        out[0, part.which] = corrected_least_squares(part.windows, design(part.windows))[1]
        elapsed = np.where(part.windows.reading, np.cumsum(part.windows.days, axis=0), np.nan)
        value = np.where(part.windows.reading, part.windows.high, np.nan)
        centred = elapsed - np.nanmean(elapsed, axis=0)
        out[1, part.which] = np.nansum(centred * value, axis=0) / np.nansum(centred**2, axis=0)
        for tank in range(len(part.which)):
            seen = part.windows.reading[:, tank]
            out[2, part.which[tank]] = theil_sen_slope(elapsed[seen, tank], value[seen, tank])
    return out[0], out[1], out[2]


def rates(tanks: int) -> None:
    """Gate, coverage, error and bias of the rise, and the rivals beside it."""
    limits = {
        (7, 6): 0.58,
        (7, 8): 0.46,
        (7, 12): 0.38,
        (7, 26): 0.28,
        (14, 12): 0.42,
        (14, 26): 0.27,
    }
    for (gap, weeks), limit in limits.items():
        visits = weeks * 7 // gap + (gap == 14)  # fortnights are counted from visit to visit
        sim = world(WEEKLY if gap == 7 else FORTNIGHTLY, tanks, 100 + gap + weeks, visits=visits)
        done = calculate_arrays(tables_of(sim), asks_of(sim, visits - 1), FIGURES, Round(visit_every_days=gap))
        found = done.baseline
        number = found.outcome == NUMBER
        name = f"{'weekly' if gap == 7 else 'fortnightly'} {weeks} weeks"
        truth = mean_rise(sim, 0, visits - 1)
        error = (found.rate - truth)[number]
        if weeks >= 8:
            share = number.mean()
            needed = 0.88 if gap == 7 else 0.72
            row(f"past the gate, {name}", f">= {needed}", f"{share:.3f}", bool(share >= needed))
            inside = ((found.low <= truth) & (truth <= found.high))[number].mean()
            row(f"coverage of the 90 % interval, {name}", "0.87-0.955", f"{inside:.3f}", bool(0.87 <= inside <= 0.955))
        row(f"RMSE, {name}", f"<= {limit}", f"{rms(error):.3f}", rms(error) <= limit)
        row(f"absolute bias, {name}", "<= 0.10", f"{error.mean():+.3f}", abs(error.mean()) <= 0.10)
        corrected, raw, robust = (rms((rival - truth)[number]) for rival in least_squares(sim, visits))
        row(
            f"RMSE over corrected least squares, {name}",
            "<= 0.80",
            f"{rms(error) / corrected:.2f}",
            rms(error) <= 0.80 * corrected,
        )
        if weeks >= 12:
            ratio = rms(error) / raw
            row(f"RMSE over raw least squares, {name}", "<= 0.33", f"{ratio:.2f}", ratio <= 0.33)
            row(f"RMSE over Theil-Sen, {name}", "", f"{rms(error) / robust:.2f}", None)


def alarm_days(sim: Simulated) -> np.ndarray:
    """Whether an alarm was raised at each visit, Boolean [visits, tanks]."""
    gap = sim.world.gap_days
    rows = build_rows(tables_of(sim), tank_names(sim), FIGURES)
    scanned = scan_visits(rows, rows.tank, rows.day, gap, FIGURES)
    raised = np.zeros((len(sim.day), sim.tanks), bool)
    first = int(rows.day.min())
    for visit in range(len(sim.day)):
        as_of = np.full(sim.tanks, first + int(sim.day[visit]))
        found = alarms(scanned, np.arange(sim.tanks), as_of, FIGURES).at
        raised[visit] = (found >= 0) & (scanned.day[np.maximum(found, 0)] == as_of)
    return raised


def kendall_alarms(sim: Simulated, threshold: float) -> np.ndarray:
    """The rival's alarms: Mann–Kendall on the last 18 (10) typed readings, with the same quiet after an alarm."""
    gap = sim.world.gap_days
    span = 18 if gap == 7 else 10
    value = np.where(sim.value <= HELD_ABOVE, sim.value, np.nan)
    raised, last = np.zeros(value.shape, bool), np.full(sim.tanks, -(10**6))
    for visit in range(span - 1, len(value)):
        z = mann_kendall(value[visit - span + 1 : visit + 1].T)[2]
        raised[visit] = (z > threshold) & (sim.day[visit] - last >= 84)
        last = np.where(raised[visit], sim.day[visit], last)
    return raised


def delays(raised: np.ndarray, sim: Simulated, at: int) -> tuple[float, float]:
    """Median weeks from a step after visit `at` to its alarm (99 for never), and the share found within 12 weeks."""
    later = raised[at + 1 :]
    weeks = np.where(later.any(axis=0), (later.argmax(axis=0) + 1) * sim.world.gap_days / 7, 99.0)
    return float(np.median(weeks)), float((weeks <= 12).mean())


def step_alarms(tanks: int) -> None:
    """False alarms, and how soon steps are found; the rival is set to no more false alarms than ours."""
    for gap, most, needs in (
        (7, 0.38, {1.5: (6, 0.82), 0.7: (13, 0.48)}),
        (14, 0.45, {1.5: (10, 0.57)}),
    ):
        name, base = ("weekly", WEEKLY) if gap == 7 else ("fortnightly", FORTNIGHTLY)
        first, at, after = (18, 40, 27) if gap == 7 else (10, 20, 14)
        quiet = world(base, tanks, 200 + gap, visits=at + after)
        years = (at + after - first + 1) * gap / 365.25
        false = alarm_days(quiet).sum() / tanks / years
        row(f"false alarms per tank-year, {name}", f"<= {most}", f"{false:.3f}", bool(false <= most))
        rival = next(z for z in np.arange(1.0, 6.0, 0.05) if kendall_alarms(quiet, z).sum() / tanks / years <= false)
        for size, (weeks, share) in needs.items():
            stepped = world(base, tanks, 300 + gap, visits=at + after, step_at=at, step_size=size)
            median, found = delays(alarm_days(stepped), stepped, at)
            row(f"step +{size}, median weeks to the alarm, {name}", f"<= {weeks}", f"{median:g}", median <= weeks)
            row(f"step +{size}, found within 12 weeks, {name}", f">= {share}", f"{found:.3f}", found >= share)
            median, found = delays(kendall_alarms(stepped, rival), stepped, at)
            row(f"  Mann-Kendall at as many false alarms, {name}", "", f"median {median:g}, found {found:.3f}", None)


def outlook(tanks: int) -> None:
    """Forecast and plateau, by the whole way from tables to frames."""
    chances, events = [], []
    for gap, base in ((7, WEEKLY), (14, FORTNIGHTLY)):
        ahead = 14 // gap
        now = base.visits - 1
        sim = world(base, 2 * tanks, 400 + gap, visits=base.visits + ahead)
        found = calculate_nitrate(tables_of(sim, base.visits), asks_of(sim, now), FIGURES, Round(visit_every_days=gap))
        frame = found["nitrate_outlook"].sort("tank")
        event = (sim.before[now + 1 : now + 1 + ahead] > sim.ceiling).any(axis=0)
        chance = frame["over_ceiling_probability"].to_numpy()
        known = np.isfinite(chance)
        chances.append(chance[known])
        events.append(event[known])
        brier = np.mean((chance - event)[known] ** 2)
        name = "weekly" if gap == 7 else "fortnightly"
        row(f"forecast Brier score, {name}", "<= 0.07", f"{brier:.3f}", bool(brier <= 0.07))
        low, value, high = (frame[n].to_numpy() for n in ("plateau_low", "plateau", "plateau_high"))
        # The present routine is what was done in the half-year; and, harder, what it comes to in the long run.
        for routine, fraction in (
            ("as done", sim.true_change[: now + 1].mean(axis=0)),
            ("long run", sim.true_fraction),
        ):
            settles = sim.true_tap + sim.rise[now] * gap / fraction
            known = np.isfinite(value) & (settles > 0)
            covered = ((low <= settles) & (settles <= high))[known].mean()
            error = np.median(np.abs(value / settles - 1)[known])
            told = f"plateau coverage, {name}, routine {routine}", "0.87-0.97", f"{covered:.3f}"
            row(*told, bool(0.87 <= covered <= 0.97))
            binding = routine == "as done"
            row(
                f"plateau median error, {name}, routine {routine}",
                "<= 0.13",
                f"{error:.3f}",
                bool(error <= 0.13) if binding else None,
            )
    chance, event = np.concatenate(chances), np.concatenate(events)
    for low in np.arange(0.0, 1.0, 0.2):
        mine = (chance >= low) & ((chance < low + 0.2) | (low > 0.79))
        off = abs(chance[mine].mean() - event[mine].mean())
        told = f"said {chance[mine].mean():.2f}, came {event[mine].mean():.2f} (n {mine.sum()})"
        row(
            f"forecast reliability, {low:.1f}-{low + 0.2:.1f}",
            "+/- 0.10",
            told,
            bool(off <= 0.10) if mine.sum() >= 100 else None,
        )


def routines(tanks: int) -> None:
    """Where nitrate levels off after the routine or the tap has changed, and alarms in worlds that are harder."""
    worlds: dict[str, dict[str, object]] = {
        "changes made much smaller 8 weeks ago": {"routine_at": 18, "routine_factor": 0.4},
        "changes made larger 8 weeks ago": {"routine_at": 18, "routine_factor": 2.0},
        "a tap three times as high since 8 weeks": {"routine_at": 18, "tap_jump": 3.0},
        "a holiday of three visits": {"pause": (20, 23)},
    }
    for name, changed in worlds.items():
        sim = world(WEEKLY, tanks, 410, visits=26, **changed)
        out = calculate_nitrate(tables_of(sim), asks_of(sim, 25), FIGURES, Round())["nitrate_outlook"].sort("tank")
        low, value, high = (out[n].to_numpy() for n in ("plateau_low", "plateau", "plateau_high"))
        fraction = np.minimum(sim.true_fraction * float(changed.get("routine_factor", 1.0)), 0.8)  # type: ignore[arg-type]
        settles = sim.true_tap + sim.rise[25] * 7 / fraction
        known = np.isfinite(value) & (settles > 0)
        covered = ((low <= settles) & (settles <= high))[known].mean()
        row(f"levels off, {name}: coverage", ">= 0.85", f"{covered:.3f}", bool(covered >= 0.85))
    years = (67 - 18 + 1) * 7 / 365.25
    for name, most, changed in (
        (
            "a tap of 5 to 30 over the year, tested each 12 weeks",
            0.45,
            {"tap_season": (5.0, 30.0), "tap_test_weeks": 12},
        ),
        ("errors that remember, rho 0.5", 0.50, {"error_memory": 0.5}),
    ):
        quiet = world(WEEKLY, tanks, 207, visits=67, **changed)
        false = alarm_days(quiet).sum() / tanks / years
        row(f"false alarms a tank-year, {name}", f"<= {most}", f"{false:.3f}", bool(false <= most))


def suspects(tanks: int) -> None:
    """Typing slips found, by the fit or, over the limit of a reading, held before it; honest readings flagged."""
    sim = world(WEEKLY, tanks, 500)
    visits = WEEKLY.visits
    found = calculate_arrays(tables_of(sim), asks_of(sim, visits - 1), FIGURES, Round())
    first = found.rows.day.min()
    flagged = np.zeros(sim.value.shape, bool)
    request, at, _ = found.level_fits.suspects
    flagged[(found.rows.day[at] - first) // 7, request] = True
    number = found.known
    flagged |= sim.value > HELD_ABOVE
    read = np.isfinite(sim.value)
    caught = flagged[:, number][sim.typo[:, number]].mean()
    honest = flagged[:, number][(read & ~sim.typo)[:, number]].mean()
    row("typing slips x10 or /10 flagged", ">= 0.85", f"{caught:.3f}", bool(caught >= 0.85))
    row("honest readings flagged", "<= 0.01", f"{honest:.4f}", bool(honest <= 0.01))


def after_step(tanks: int) -> None:
    """The recent rise eight weeks after a step."""
    for size in (0.7, 1.5):
        sim = world(WEEKLY, tanks, 600, visits=40, step_at=31, step_size=size)
        found = calculate_arrays(tables_of(sim), asks_of(sim, 39), FIGURES, Round()).recent
        number = found.outcome == NUMBER
        truth = mean_rise(sim, 31, 39)
        inside = ((found.low <= truth) & (truth <= found.high))[number].mean()
        row(f"recent rise 8 weeks after +{size}, coverage", ">= 0.88", f"{inside:.3f}", bool(inside >= 0.88))


def agreement_and_speed(tanks: int) -> None:
    """Against scipy's optimum of the same posterior written a second time, and tanks a second."""
    sim = world(WEEKLY, max(tanks, 2000), 700, visits=26)
    rows = build_rows(tables_of(sim), tank_names(sim), FIGURES)
    every = np.arange(sim.tanks)
    wanted = spans_of_weeks(rows, every, np.full(sim.tanks, rows.day.max()), np.full(sim.tanks, 26.0))
    parts = list(batches(rows, wanted, FIGURES))
    best = np.inf
    for _ in range(3):
        start = time.process_time()
        for part in parts:
            done = fit(part.windows, part.priors, FIGURES)
            scan(part.windows, done, part.visit, np.full(len(part.which), 2), np.full(len(part.which), 14), FIGURES)
        best = min(best, time.process_time() - start)
    speed = sum(len(p.which) for p in parts) / best
    row("fit and alarm, 26 readings, tanks a second, one core", ">= 4000", f"{speed:.0f}", speed >= 4000)
    near, slow, count = 0, 0.0, 0
    number = calculate_arrays(tables_of(sim), asks_of(sim, 25), FIGURES, Round()).baseline.outcome == NUMBER
    for part in parts:
        done = fit(part.windows, part.priors, FIGURES)
        for tank, which in enumerate(part.which):
            if number[which] and count < min(tanks, 1000):
                start = time.process_time()
                optimum = SlowTank(
                    part.windows, tank, FIGURES, False, float(part.priors.precision[TAP, tank] ** -0.5)
                ).optimum()
                slow += time.process_time() - start
                near += abs(optimum[RISE] - done.theta[RISE, tank]) <= 0.02
                count += 1
    row(f"within 0.02 of scipy's optimum ({count} gated tanks)", ">= 0.99", f"{near / count:.4f}", near / count >= 0.99)
    row(
        "  scipy a tank at a time, tanks a second",
        "",
        f"{count / slow:.0f} ({speed * slow / count:.0f} times slower)",
        None,
    )


def misspecified(tanks: int) -> None:
    """Worlds that break an assumption: told, not required."""
    worlds: dict[str, dict[str, object]] = {
        "10 % of changes unlogged": {"unlogged": 0.10},
        "15 % read after the change, logged before": {"after_as_before": 0.15},
        "fractions guessed": {"fractions_guessed": True, "fraction_bias_sd": 0.35, "fraction_noise_sd": 0.15},
        "tap never measured": {"tap_measured": False},
        "heavy loads": {"rise_median": 3.5},
        "all-zero tanks": {"net_zero": True},
    }
    for name, changed in worlds.items():
        sim = world(WEEKLY, tanks // 2, 800, **changed)
        found = calculate_arrays(tables_of(sim), asks_of(sim, WEEKLY.visits - 1), FIGURES, Round()).baseline
        number = found.outcome == NUMBER
        truth = mean_rise(sim, 0, WEEKLY.visits - 1)
        told = f"gate {number.mean():.2f}"
        if number.mean() > 0.05:
            inside = ((found.low <= truth) & (truth <= found.high))[number].mean()
            error = (found.rate - truth)[number]
            told += f", coverage {inside:.2f}, RMSE {rms(error):.2f}, bias {error.mean():+.2f}"
        one_sided = np.isfinite(found.low) ^ np.isfinite(found.high)
        if one_sided.sum() > 50:
            holds = (np.nan_to_num(found.low, nan=-np.inf) <= truth) & (truth <= np.nan_to_num(found.high, nan=np.inf))
            told += f"; one-sided {one_sided.mean():.2f}, holds {holds[one_sided].mean():.2f}"
        row(f"  {name}, 26 weeks", "", told, None)


PARTS: dict[str, Callable[[int], None]] = {
    "rates": rates,
    "alarms": step_alarms,
    "outlook": outlook,
    "routines": routines,
    "suspects": suspects,
    "after-step": after_step,
    "agreement": agreement_and_speed,
    "mis-specified": misspecified,
}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tanks", type=int, default=1200, help="simulated tanks a cell")
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], help="only these parts")
    chosen = parser.parse_args()
    begun = time.perf_counter()
    print(f"{chosen.tanks} tanks a cell, {dt.date.today()}")
    row("quantity", "required", "measured", None)
    for name in chosen.parts or PARTS:
        PARTS[name](chosen.tanks)
    print(
        f"{time.perf_counter() - begun:.0f} s; " + (f"NOT met: {', '.join(failed)}" if failed else "every row is met")
    )
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
