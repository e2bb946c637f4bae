"""The review as JSON, key for key as the commands promise, and printed; and the words that pages share with it."""

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from pipeline import wording
from pipeline.assumptions import Assumptions
from pipeline.console import printed
from pipeline.review.causes import UNEXPLAINED, of_tank
from pipeline.review.facts import USABLE, Row
from pipeline.review.ranking import URGENT
from pipeline.week import Week
from pipeline.wording import ago, counted, day, due_text, levels_off, listed, number, overdue, pct, reading_range
from schemas.words import CLASSES


def _plain(value: Any) -> Any:
    """JSON knows no NaN and no dates: unknown is null, a date is ISO text."""
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_plain(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value.isoformat() if isinstance(value, dt.date) else value


def _pick(row: Mapping[str, Any], *keys: str) -> Row:
    return {key: row.get(key) for key in keys}


def by_tank(frame: pl.DataFrame) -> dict[str, list[Row]]:
    """The rows of a frame by tank, in their order."""
    return frame.rows_by_key("tank", named=True, include_key=True)


def counts(review: pl.DataFrame) -> dict[str, int]:
    """Tanks a class, in ranking order; they add up to all tanks."""
    return dict.fromkeys(CLASSES, 0) | dict(review["class"].value_counts().iter_rows())


# -- JSON --------------------------------------------------------------------------------------------

RATING = (
    "gross_l", "net_l", "net_basis", "media_kg", "plain_l", "plain_load_pct", "plain_state", "over_full_cycle",
    "need_kg", "effective_kg", "working_load_pct", "working_state", "load", "load_basis", "plants", "half_rating_l",
    "half_limit", "flow_l_h", "flow_basis", "missing",
)  # fmt: skip
FACTORS = (
    "filter", "compartment", "medium", "mass_kg", "counts", "quality", "place", "maturity", "disturbance", "clog",
    "temperature", "effective_kg", "why",
)  # fmt: skip
FINDING = ("rule", "class", "says", "do", "basis", "quiet")
CAUSE = ("cause", "because", "check")
CANT = "can't say"
READINGS = ("free_ammonia", "ammonia", "nitrite", "nitrate", "ph", "kh", "temperature")
NO_FIT = {"rate": None, "low": None, "high": None, "readings": 0, "state": "too few"}


def _nitrate(of: Mapping[str, list[Row]], outlook: Row, horizon: int) -> Row:
    fits = {row["window"]: _pick(row, *NO_FIT) for row in of["nitrate_fit"]}
    plateau, low, high = (outlook.get(name) for name in ("plateau", "plateau_low", "plateau_high"))
    state = "ok" if plateau is not None else "not known"
    if state != "ok" and outlook.get("weeks_to_ceiling") is not None:
        state = "no changes: it does not level off"
    step = next(iter(of["step_alarm"]), None)
    return {
        "recent": fits.get("recent", NO_FIT),
        "baseline": fits.get("baseline", NO_FIT),
        "trend": outlook.get("trend") or "not clear",
        "plateau": {"value": plateau, "low": low, "high": high, "state": state},
        **_pick(outlook, "ceiling", "weeks_to_ceiling", "over_ceiling_probability"),
        "horizon_days": horizon,
        "step": None if step is None else _pick(step, "since", "size", "z", "kit_batch"),
        "by_hand": {"per_week": outlook.get("hand_per_week"), "intervals": outlook.get("hand_intervals") or 0},
        "suspect": [{"date": row["day"], **_pick(row, "file", "line", "weight")} for row in of["suspect"]],
        "witness": outlook.get("witness"),
    }


def _water(rows: list[Row]) -> Row:
    read: dict[str, Row] = {name: {} for name in READINGS} | {row["parameter"]: row for row in rows}
    return {
        name: {
            **_pick(read[name], "low", "high", "matched"),
            "date": read[name].get("day"),
            "age_days": read[name].get("age_days"),
            "state": "read" if read[name] else "not read lately",
        }
        for name in READINGS
    }


def last_readings(week: Week) -> dict[str, dt.date]:
    """The day of each tank's last nitrate reading that is in no doubt about what it counts."""
    usable = week.table("reading").filter(USABLE & (pl.col("day") <= week.as_of))
    return dict(usable.group_by("tank").agg(pl.col("day").max()).iter_rows())


def rows_of(week: Week, *names: str) -> dict[str, dict[str, list[Row]]]:
    """The week's rows of some tables by tank; jobs only where they are due soon or late."""
    soon = pl.col("late_days") >= -int(week.assumed["due_soon_days"])
    return {name: by_tank(week.now(name).filter(soon if name == "due" else True)) for name in names}


def names_of(week: Week) -> dict[str, tuple[str, str | None]]:
    """Tank -> its name and that of its site, or their ids."""
    sites = dict(week.table("site").select("site", "name").iter_rows())
    rows = week.table("tank").select("tank", "name", "site").iter_rows()
    return {tank: (name or tank, sites.get(site) or site) for tank, name, site in rows}


JSON_OF = (
    "finding", "finding_cause", "capacity", "capacity_layer", "nitrate_fit", "nitrate_outlook", "step_alarm", "suspect",
    "water", "due",
)  # fmt: skip


def as_json(week: Week) -> Row:
    """The review as `review --format json` prints it."""
    review, places = week.now("review").sort("rank"), names_of(week)
    found, last = rows_of(week, *JSON_OF), last_readings(week)
    held = dict(week.table("held").group_by("tank").len().iter_rows())

    def as_record(row: Row) -> Row:
        tank = row["tank"]
        of = {name: rows.get(tank, []) for name, rows in found.items()}
        (name, site), read = places.get(tank, (tank, None)), last.get(tank)
        capacity, outlook = ((of[name] or [{}])[0] for name in ("capacity", "nitrate_outlook"))
        causes = sorted(of["finding_cause"], key=lambda c: c["place"])
        return {
            "tank": tank,
            "name": name,
            "site": site,
            **_pick(row, "class", "reason"),
            "next_step": row["step"],
            **_pick(row, "was_class", "changed"),
            "findings": [
                _pick(f, *FINDING) | {"causes": [_pick(c, *CAUSE) for c in causes if c["rule"] == f["rule"]]}
                for f in of["finding"]
            ],
            "causes": [_pick(c, *CAUSE) for c in of_tank(of["finding"], of["finding_cause"])],
            "rating": {
                **_pick(capacity, *RATING),
                **{name: capacity.get(name) or CANT for name in ("plain_state", "working_state")},
                "factors": [_pick(layer, *FACTORS) for layer in of["capacity_layer"]],
            },
            "nitrate": _nitrate(of, outlook, int(week.assumed["forecast_days"])),
            "water": _water(of["water"]),
            "last_reading": {
                "date": read,
                "age_days": None if read is None else (week.as_of - read).days,
                "state": "no usable nitrate reading" if read is None else "read",
            },
            "held": held.get(tank, 0),
            "due": [_pick(d, "what", "on", "late_days") for d in sorted(of["due"], key=lambda d: (d["on"], d["what"]))],
        }

    rows = [_plain(as_record(row)) for row in review.iter_rows(named=True)]
    return {"as_of": week.as_of.isoformat(), "counts": counts(review), "tanks": rows}


# -- text --------------------------------------------------------------------------------------------


def counts_sentence(review: pl.DataFrame) -> str:
    """`24 tanks: 1 act today, 3 plan and 20 steady.`"""
    parts = [f"{n} {name}" for name, n in counts(review).items() if n]
    return f"{counted(review.height, 'tank')}: {listed(parts)}." if parts else "No tanks are on this round yet."


def rate_text(fit: Row | None) -> str:
    """Net rise a week with its range, or why there is none."""
    state, rate, low, high = (None if fit is None else fit[name] for name in ("state", "rate", "low", "high"))
    return wording.rise_text(state, rate, low, high)


def plateau_text(outlook: Row | None) -> str:
    """Where nitrate levels off under the present routine, against the limit."""
    if outlook is None:
        return "limit not known"
    limit = f"limit {number(outlook['ceiling'])}"
    if outlook["plateau"] is not None:
        return f"{levels_off(outlook['plateau'], outlook['plateau_low'], outlook['plateau_high'])}; {limit}"
    if outlook["weeks_to_ceiling"]:
        return f"no water changed: at its {limit} in {wording.about_weeks(outlook['weeks_to_ceiling'])}"
    return limit


def normal_rise(assumed: Assumptions) -> tuple[float, float]:
    """What the food of a normally stocked tank makes a week [mg/L NO3], least and most."""
    from pipeline.calc.chemistry import nitrate_from_feed  # brings numpy: a third of what a review takes

    made = nitrate_from_feed(assumed["normal_feed_g_100l"], float("nan"), 100.0, assumed)
    return 7 * float(made.low), 7 * float(made.high)


def load_text(row: Row | None) -> str:
    """Bioload of the plain and of the working rating, each said and never mixed."""
    if row is None or row["plain_state"] == CANT or row["plain_load_pct"] is None:
        return "half cycle only" if row is not None and row["plain_state"] == "half cycle only" else "bioload not known"
    working = "" if row["working_load_pct"] is None else f", {pct(row['working_load_pct'])} of its working rating"
    return f"bioload {pct(row['plain_load_pct'])} of its plain rating{working}"


def last_text(week: Week, tank: str, water: list[Row], last: Mapping[str, dt.date]) -> str:
    """The last nitrate as a range with its age."""
    row = next((r for r in water if r["parameter"] == "nitrate"), None)
    if row is not None:
        return f"nitrate {reading_range('nitrate', row['low'], row['high'])}, {ago(row['day'], week.as_of)}"
    return f"nitrate not read since {day(last[tank], year=True)}" if tank in last else "nitrate never read"


def top_rules(week: Week, review: pl.DataFrame) -> dict[str, str]:
    """Tank -> the rule whose finding its line of the review tells; none for a tank without a finding."""
    line = ["tank", "class", "reason", "step"]
    found = week.now("finding").filter(~pl.col("quiet")).sort("harm", "rule")
    rows = review.select(line).join(found.select(*line, "rule"), on=line).unique("tank", keep="first")
    return dict(rows.select("tank", "rule").iter_rows())


def doubted_days(week: Week) -> dict[str, dt.date]:
    """Tank -> the day of its last reading in doubt."""
    rows = week.table("doubt").filter(pl.col("day") <= week.as_of).group_by("tank").agg(pl.col("day").max())
    return dict(rows.iter_rows())


def late_supplies(week: Week) -> list[str]:
    """Supplies whose tap test is overdue, each once."""
    late = week.now("due").filter((pl.col("what") == "tap test") & (pl.col("late_days") >= 0))
    rows = late.drop_nulls("about").group_by("about").agg(pl.col("late_days").max()).sort("about")
    return [f"test of the tap {supply} {overdue(days)}" for supply, days in rows.iter_rows()]


def tap_ammonia(week: Week) -> list[str]:
    """Supplies whose last test found ammonia, each once."""
    tests = week.table("tap").filter((pl.col("parameter") == "ammonia") & (pl.col("date") <= week.as_of)).sort("date")
    last = tests.unique("water_supply", keep="last").filter(pl.col("matched") >= week.assumed["trace_ammonia"])
    return [
        f"The tap {supply} brought ammonia on {day(date)}: {wording.reading('ammonia', matched)}. Treat new water for it."
        for supply, date, matched in last.sort("water_supply").select("water_supply", "date", "matched").iter_rows()
    ]


def readers_apart(week: Week) -> list[str]:
    """Two people who read the same kits a factor apart, each pair once; names as they are typed."""
    apart = week.now("explanation").filter(pl.col("cause") == "reader").unique(["by", "than"]).sort("by", "than")
    if not apart.height:
        return []
    typed = {name.strip().lower(): name.strip() for name in week.table("visit")["by"].drop_nulls()}
    return [
        f"Nitrate read by {typed.get(by, by) or 'others'} is about {number(size, 2)} times that read by"
        f" {typed.get(than, than) or 'others'} in {counted(tanks, 'tank')}: let both read one sample."
        for by, than, size, tanks in apart.select("by", "than", "size", "tanks").iter_rows()
    ]


def notices(week: Week) -> list[str]:
    """What is never hidden: items on hold, late tap tests, filters on no tank, assumptions that were changed."""
    lines = []
    held = week.table("held")
    stray = held.filter(pl.col("tank").is_null()).height
    if held.height:
        tail = f", {stray} of them of no known tank" if stray else ""
        lines.append(f"{counted(held.height, 'item')} held{tail}: `tankround held` lists them.")
    if late := late_supplies(week):
        lines.append(f"{wording.sentence(listed(late))}.")
    lines += tap_ammonia(week) + readers_apart(week)
    if loose := week.table("filter").join(week.placed(), on="filter", how="anti")["filter"].sort().to_list():
        lines.append(f"On no tank: {listed(loose)}.")
    if own := [f for f in week.assumed.records() if f.built_in is not None]:
        parts = "; ".join(f"{f.name} {number(f.value)} (built in {number(f.built_in)})" for f in own)
        lines.append(f"Assumptions this folder sets itself: {parts}.")
    lines += list(week.round.problems)
    return lines


def never_recorded(week: Week) -> str:
    """One suggestion for what was never written down yet and what it would add, most useful first; blank for nothing."""
    runs = week.table("tank").filter(pl.col("closed").is_null() | (pl.col("closed") >= week.as_of))
    on, service, tests = week.placed(), week.table("service"), week.table("tap")
    feeding = week.table("feeding").filter(pl.col("from") <= week.as_of)
    flows = week.table("reading").filter(pl.col("parameter") == "flow_l_h")
    timed = service.filter(pl.any_horizontal(pl.col("flow_before", "flow_after") > 0))
    supplies = sorted(set(week.table("site")["water_supply"].drop_nulls()) - set(tests["water_supply"]))
    untested = supplies or (not tests.height and runs.height)
    dry = runs.filter(pl.col("gross_l").is_null() & pl.col("net_l").is_null()).height
    bare, unfed = (runs.join(known, on="tank", how="anti").height for known in (on, feeding))
    never = on.join(service, on="filter", how="anti")["filter"].n_unique()
    untimed = on.join(flows, on="tank", how="anti").join(timed, on="filter", how="anti")["filter"].n_unique()
    tap = f"the tap {listed(supplies)}" if supplies else "the tap water"
    wanted = (
        (dry, f"the litres of {counted(dry, 'tank')} (tanks.csv: how much a water change is)"),
        (bare, f"the filter of {counted(bare, 'tank')} and what is in it (filter book: the bioload)"),
        (untested, f"a test of {tap} (tap.csv: how far changes can bring nitrate down)"),
        (unfed, f"the food of {counted(unfed, 'tank')} (feeding.csv: what nitrate it makes)"),
        (never, f"a service of {counted(never, 'filter')}"),
        (untimed, f"a timed flow of {counted(untimed, 'filter')}"),
    )
    first, *others = [text for missing, text in wanted if missing] or [""]
    more = f"; then {listed(others)}" if others else ""
    return f"Suggestion, most useful first: record {first}{more}. What was never recorded is not late." if first else ""


# -- as a person would print it ------------------------------------------------------------------------


def left_over(
    review: pl.DataFrame, found: Mapping[str, Sequence[Row]], causes: Mapping[str, Sequence[Row]]
) -> dict[str, str]:
    """Cause -> its check: what is left to look for in more than one tank, without a record that speaks for it."""
    loud = review.filter(pl.col("class").is_in([*URGENT, "plan"]))["tank"]
    possible = [cause for tank in loud for cause in of_tank(found.get(tank, []), causes.get(tank, []))]
    left = [(cause["cause"], cause["check"]) for cause in possible if cause["because"] == UNEXPLAINED]
    return {cause: check for cause, check in left if left.count((cause, check)) > 1}


def as_text(week: Week) -> str:
    """The weekly review, ranked: every finding for today and this week, and what each tank is told by."""
    review, names = week.now("review").sort("rank"), names_of(week)
    rows = rows_of(week, "capacity", "nitrate_outlook", "nitrate_fit", "water", "finding_cause", "due")
    found, last = by_tank(week.now("finding").sort("harm")), last_readings(week)
    once = left_over(review, found, rows["finding_cause"])

    def of_line(row: Row) -> Row:
        """A line of the review with its tank's other urgent findings, facts, jobs and causes but for those told once."""
        tank, class_ = row["tank"], row["class"]
        of = {name: rows[name].get(tank, []) for name in rows}
        loud = [f for f in found.get(tank, []) if not f["quiet"]]
        top = next((f for f in loud if f["class"] == class_ and f["reason"] == row["reason"]), None)
        causes = of_tank(loud, of["finding_cause"]) if class_ in (*URGENT, "plan") else []
        return {
            **row,
            "title": ", ".join(filter(None, names.get(tank, (tank,)))),
            "top": top,
            "urgent": [f for f in loud if f is not top and f["class"] in URGENT],
            "facts": [
                last_text(week, tank, of["water"], last),
                rate_text(next((fit for fit in of["nitrate_fit"] if fit["window"] == "recent"), None)),
                plateau_text(next(iter(of["nitrate_outlook"]), None)),
                load_text(next(iter(of["capacity"]), None)),
            ],
            "jobs": [due_text(d["what"], d["about"], d["on"], d["late_days"]) for d in of["due"] if d["what"] != "tap test"],
            "causes": [one for one in causes if one["cause"] not in once or one["because"] != UNEXPLAINED],
        }  # fmt: skip

    tanks = [of_line(row) for row in review.iter_rows(named=True)]
    shown = {"counts": counts_sentence(review), "notices": notices(week), "suggestion": never_recorded(week)}
    return printed("review.txt", week=week, once=once, tanks=tanks, **shown)
