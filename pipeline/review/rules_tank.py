"""Rules about what happened to a tank: a filter that stopped, lost flow, nitrate over its limit."""

from pipeline.calc import sizing
from pipeline.review.facts import TankFacts
from pipeline.review.finding import ACT, CANT, CP, DUE, HOUSE, PLAN, WEEK, Finding
from pipeline.review.rules_water import FLOW, NITRATE, STOPPED, nearer, small_change
from pipeline.wording import NBSP, aged, amount, change_words, pct, reading, reading_range, with_unit

DILUTE = "Dilute the sample by half with pure water, retest, double the result"


def _stops(f: TankFacts) -> list[tuple[int, float | None]]:
    """Stops of the last week: days ago and hours, the latest first."""
    foul, short, back = f.assumed["stopped_hours"], f.assumed["stop_short_hours"], f.assumed["alarm_back_days"]
    stops: list[tuple[int, float | None]] = []
    for row in f.lately("event", back):
        cut = row["event"] == "power cut" and row["hours"] is not None and row["hours"] >= short
        if row["event"] == "filter stopped" or cut:
            stops.append((row["ago"], row["hours"]))
    services = [(row["ago"], row["hours_stopped"]) for row in f.lately("service", back)]
    stops += [stop for stop in services if stop[1] is not None and stop[1] >= foul]
    flow = f.water.get("flow_l_h")
    if flow is not None and flow.matched == 0 and flow.age_days < back:
        stops.append((flow.age_days, None))
    return sorted(stops, key=lambda stop: stop[0])


def filter_stopped(f: TankFacts) -> Finding | None:
    """A filter that stopped in the last week, until ammonia and nitrite were tested on a later day."""
    stops = _stops(f)
    if not stops:
        return None
    ago, hours = stops[0]
    tested = [f.water.get(name) for name in ("ammonia", "nitrite")]
    if all(read is not None and read.age_days < ago for read in tested):
        return None
    foul, short = f.assumed["stopped_hours"], f.assumed["stop_short_hours"]
    spell = "for a time not recorded" if hours is None else f"for {with_unit(amount(hours), 'hours')}"
    if hours is None or hours >= foul:
        step = f"Over {foul:g} hours: do not restart into the tank; test ammonia, nitrite"
        do = (
            f"Do not restart it into the tank if it was off over {foul:g} hours: empty it outdoors, rinse the media in"
            f" tank water, then start it. Change 30{NBSP}%; ammonia and nitrite daily for five days; more air meanwhile."
        )
    else:
        step = "See that it runs; test ammonia and nitrite today"
        do = "See that it runs, check the flow, and retest ammonia and nitrite within a day."
    return Finding(
        WEEK if hours is not None and hours < short else ACT,
        f"filter stopped {spell}, {aged(ago)}",
        step,
        f"a canister stopped over {foul:g} hours is not restarted into the tank; {CP}",
        nearer(STOPPED, (foul if hours is None else hours) / foul),
        f"The filter stopped {spell}, {aged(ago)}; ammonia and nitrite were not tested since.",
        do,
    )


def _way_down(f: TankFacts, matched: float, ceiling: float) -> tuple[str, str]:
    """The step and the full sentence that bring nitrate under its limit, by what the tap allows."""
    if f.trap:
        small = small_change(f)
        return f"No big change: {small} a day, test ammonia first", f"No big change: {small} a day; test ammonia first."
    if f.tap is not None and f.tap >= ceiling:
        tap = reading("nitrate", f.tap)
        return (
            f"Tap is {tap}: mix in RO water; more tap water is no use",
            f"The tap brings {tap}, which is not under the limit of {ceiling:g}: part RO water, more media or plants.",
        )
    if f.tap is None:
        # A tap that was never tested leaves the change unsized: the usual one, and the tap's test with it.
        share = f.assumed["usual_change_share"]
        reaches = "; how far that brings it down depends on the tap, which was never tested: test it"
    else:
        ph = f.water.get("ph")
        most = sizing.largest_change(None if ph is None else ph.matched, f.tap_ph, f.assumed)
        every = f.mean_gap_days or f.visit_days or 7.0
        holding = sizing.holding_change(f.recent_rate, every, ceiling, f.tap, f.assumed)
        way = sizing.way_down(f.level or matched, ceiling, f.tap, f.recent_rate, every, most, f.assumed, holding)
        if way is None:
            # By the calculated level it is under already, or no change brings it down: the plan says what does.
            return (
                f"Change {change_words(f.assumed['usual_change_share'], f.net_l)}, retest; see the plan",
                f"Change {change_words(f.assumed['usual_change_share'], f.net_l)} and retest at the next visit; the plan"
                " says what else brings it down.",
            )
        share, visits = way
        when = "at the next visit" if visits == 1 else f"at each of the next {visits} visits"
        now = change_words(share, f.net_l)
        return (
            f"Change {now} {when}, and retest",
            f"Change {now} {when}, which brings nitrate under the limit; retest at each, and look at what makes it"
            " rise.",
        )
    now = change_words(share, f.net_l)
    return (
        f"Change {now}, retest at the next visit",
        f"Change {now} in one go or in two a day apart{reaches}; retest at the next visit, and look at what makes it rise.",
    )


def nitrate_over_ceiling(f: TankFacts) -> Finding | None:
    """The last nitrate reading is over the tank's limit: for this week where its whole range is, or the fit is sure.

    A range that straddles the limit asks for a retest, class plan: half of such readings are under it, and a manager's
    page must not call it good.
    """
    read, ceiling = f.water.get("nitrate"), f.ceiling
    if read is None or ceiling is None or read.matched <= ceiling:
        return None
    said, age = reading_range("nitrate", read.low, read.high), aged(read.age_days)
    chance, sure = f.over_ceiling_probability, f.assumed["over_ceiling_sure"]
    basis = f"limit of {ceiling:g} mg/L, from tanks.csv or the assumption; over it with its whole range, or by the fit"
    harm = nearer(NITRATE, read.matched / max(ceiling, 1.0))
    if read.low > ceiling or (chance is not None and chance >= sure):
        step, do = _way_down(f, read.matched, ceiling)
        return Finding(
            WEEK,
            f"nitrate {said}, over its limit of {ceiling:g}, {age}",
            step,
            basis,
            harm,
            f"Nitrate was read as {said}, {age}; the limit here is {ceiling:g}.",
            f"{do} {DILUTE}." if read.high is None else do,
        )
    return Finding(
        PLAN,
        f"nitrate {said} may be over its limit of {ceiling:g}, {age}",
        "Retest nitrate at the next visit, with a finer kit if there is one",
        f"{basis}; a range that straddles it asks for a retest; {HOUSE}",
        f.assumed["far_weeks"] / 2,
        f"Nitrate was read as {said}, {age}; the limit of {ceiling:g} lies within that range.",
        "Retest nitrate at the next visit; then judge. Change water as usual.",
    )


def off_the_chart(f: TankFacts) -> Finding | None:
    """Nitrate off the top of its chart: how high it is nobody can say."""
    many = f.recent_state == "at least"
    if f.last_low is None or f.last_age is None or not (f.last_high is None or many):
        return None
    age = aged(f.last_age)
    if f.last_high is None:
        reason = f"nitrate {reading_range('nitrate', f.last_low, None)}, off the top of the chart, {age}"
    else:
        reason = f"half or more nitrate readings are off the top of the chart, last {age}"
    return Finding(
        CANT,
        reason,
        DILUTE,
        f"a reading off the top of its chart says only the least it can be; {CP}",
        -float(f.last_age),
        do=f"{DILUTE}; use the diluted test from now on while it is so high.",
    )


def flow_low(f: TankFacts) -> Finding | None:
    """Timed flow under its share of clean flow."""
    limit = f.assumed["low_flow_share"]
    if f.flow_basis != "timed" or f.flow_of_clean is None or f.flow_l_h is None or f.flow_day is None:
        return None
    if f.flow_of_clean >= limit:
        return None
    share, age = pct(100 * f.flow_of_clean), aged((f.as_of - f.flow_day).days)
    return Finding(
        WEEK,
        f"flow at {share} of clean, {age}",
        "Pads now, hose and impeller too; leave the media for another day",
        f"under {100 * limit:.0f} % of clean flow; {CP}",
        nearer(FLOW, 1 - f.flow_of_clean),
        f"Flow was {reading('flow_l_h', f.flow_l_h)}, {share} of what this filter gives when clean ({age}).",
        "Clean pads, hose and impeller now, not the media on the same day; next service in four weeks; time the flow again.",
    )


def half_cycle_short(f: TankFacts) -> Finding | None:
    """The half-cycle rating is under the tank's litres: plan, and this week when ammonia or nitrite shows."""
    if f.half_rating_l is None or f.net_l is None or f.half_rating_l >= f.net_l:
        return None
    shows = [name for name in ("ammonia", "nitrite") if f.shows(name)]
    guess = " (flow estimated)" if f.half_limit == "flow" and f.flow_basis == "estimated" else ""
    good, litres = with_unit(amount(f.half_rating_l, 0), "L"), with_unit(amount(f.net_l, 0), "L")
    limit = {"flow": f"the flow limits it{guess}", "media": "the media limits it"}.get(f.half_limit or "", "")
    age = aged(min(f.water[name].age_days for name in shows)) if shows else ""
    tail = f"; {' and '.join(shows)} {age}" if shows else f": {limit}" if limit else ""
    step = {"flow": "Time the flow; clean pads, hose and impeller; see the plan"}.get(
        f.half_limit or "", "Add biological media or foam, or feed less; see the plan"
    )
    return Finding(
        WEEK if shows else PLAN,
        f"half cycle good for {good} of {litres}{tail}",
        step,
        "half-cycle rating (ammonia and nitrite only) by media and flow against net litres; " + HOUSE,
        nearer(NITRATE, 1 - f.half_rating_l / f.net_l) if shows else f.assumed["far_weeks"] / 4,
        f"For ammonia and nitrite (the half cycle) its filters are good for {good}, and the tank holds {litres}"
        + (f": {limit}." if limit else "."),
        f"{step}. Test ammonia and nitrite at each visit until it is enough.",
    )


def closed_today(f: TankFacts) -> Finding | None:
    """The last day a tank ran: it is in the review once more, never silently gone."""
    if f.closed is None or f.closed != f.as_of:
        return None
    return Finding(
        DUE,
        "closed today",
        "Note where its filter, media and fish went",
        "tanks.csv, closed",
        0.0,
        "Today is the last day this tank runs.",
        "Close its placement, say where filter and media went, and tell the site.",
    )
