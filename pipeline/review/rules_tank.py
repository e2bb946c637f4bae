"""Rules about what happened to a tank: a filter that stopped, lost flow, nitrate over its limit."""

from pipeline.calc import mixing
from pipeline.review.facts import TankFacts
from pipeline.review.finding import ACT, CANT, DILUTE, DUE, PLAN, WEEK, Finding, finding
from pipeline.review.rules_water import FLOW, NITRATE, STOPPED, nearer, small_change
from pipeline.wording import aged, amount, change_text, reading, reading_range, with_unit


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
    case = "filter_stopped_long" if hours is None or hours >= foul else "filter_stopped"
    class_ = WEEK if hours is not None and hours < short else ACT
    return finding(f, case, class_, nearer(STOPPED, (foul if hours is None else hours) / foul), spell=spell, ago=ago)


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
    usual = change_text(f.assumed["usual_change_share"], f.net_l)
    if f.tap is None:
        # A tap that was never tested leaves the change unsized: the usual one, and the tap's test with it.
        return (
            f"Change {usual}, retest at the next visit",
            f"Change {usual} in one go or in two a day apart; how far that brings it down depends on the tap, which was"
            " never tested: test it; retest at the next visit, and look at what makes it rise.",
        )
    ph, every = f.water.get("ph"), f.mean_gap_days or f.visit_days or 7.0
    most = mixing.largest_change(None if ph is None else ph.matched, f.tap_ph, f.assumed)
    holding = mixing.holding_change(f.recent_rate, every, ceiling, f.tap, f.assumed)
    way = mixing.way_down(f.level or matched, ceiling, f.tap, f.recent_rate, every, most, f.assumed, holding)
    if way is None:
        # By the calculated level it is under already, or no change brings it down: the plan says what does.
        now = f"Change {usual}"
        rest = "and retest at the next visit; the plan says what else brings it down."
        return f"{now}, retest; see the plan", f"{now} {rest}"
    when = "the next visit" if way[1] == 1 else f"each of the next {way[1]} visits"
    now = f"Change {change_text(way[0], f.net_l)} at {when}"
    rest = "which brings nitrate under the limit; retest at each, and look at what makes it rise."
    return f"{now}, and retest", f"{now}, {rest}"


def nitrate_over_ceiling(f: TankFacts) -> Finding | None:
    """The last nitrate reading is over the tank's limit: for this week where its whole range is, or the fit is sure.

    A range that straddles the limit asks for a retest, class plan: half of such readings are under it, and a manager's
    page must not call it good.
    """
    read, ceiling = f.water.get("nitrate"), f.ceiling
    if read is None or ceiling is None or read.matched <= ceiling:
        return None
    chance, sure = f.over_ceiling_probability, f.assumed["over_ceiling_sure"]
    if read.low > ceiling or (chance is not None and chance >= sure):
        step, do = _way_down(f, read.matched, ceiling)
        do = f"{do} {DILUTE}." if read.high is None else do
        harm = nearer(NITRATE, read.matched / max(ceiling, 1.0))
        return finding(f, "nitrate_over_ceiling", WEEK, harm, read=read, step=step, do=do)
    return finding(f, "nitrate_near_ceiling", PLAN, f.assumed["far_weeks"] / 2, read=read)


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
    return finding(f, "off_the_chart", CANT, -float(f.last_age), reason=reason)


def flow_low(f: TankFacts) -> Finding | None:
    """Timed flow under its share of clean flow."""
    limit = f.assumed["low_flow_share"]
    if f.flow_basis != "timed" or f.flow_of_clean is None or f.flow_l_h is None or f.flow_day is None:
        return None
    if f.flow_of_clean >= limit:
        return None
    share, age = 100 * f.flow_of_clean, (f.as_of - f.flow_day).days
    return finding(f, "flow_low", WEEK, nearer(FLOW, 1 - f.flow_of_clean), share=share, age=age, limit=100 * limit)


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
    class_ = WEEK if shows else PLAN
    harm = nearer(NITRATE, 1 - f.half_rating_l / f.net_l) if shows else f.assumed["far_weeks"] / 4
    limit = f": {limit}" if limit else ""
    return finding(f, "half_cycle_short", class_, harm, good=good, litres=litres, tail=tail, limit=limit, step=step)


def closed_today(f: TankFacts) -> Finding | None:
    """The last day a tank ran: it is in the review once more, never silently gone."""
    closes = f.closed is not None and f.closed == f.as_of
    return finding(f, "closed_today", DUE, 0.0) if closes else None
