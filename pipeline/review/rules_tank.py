"""Rules about what happened to a tank and its fish: a filter that stopped, lost flow, nitrate over its limit; how the
fish look, whether they are seen, whether they die."""

import re

from pipeline.calc import mixing
from pipeline.review.facts import Row, TankFacts
from pipeline.review.finding import ACT, BASES, CANT, DILUTE, DUE, PLAN, WEEK, Finding, finding
from pipeline.review.rules_doubt import held_danger
from pipeline.review.rules_water import DEATHS, FISH, FLOW, NITRATE, STOPPED, WATER_RULES, nearer, small_change
from pipeline.wording import aged, amount, change_text, counted, reading_range, with_unit


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


def _way_down(f: TankFacts, matched: float, ceiling: float) -> tuple[str, dict[str, str]]:
    """The case that brings nitrate under its limit, by what the tap allows, and what its sentences show."""
    if f.trap:
        return "nitrate_over_trap", {"small": small_change(f)}
    if f.tap is not None and f.tap >= ceiling:
        return "nitrate_over_tap", {}
    usual = {"size": change_text(f.assumed["usual_change_share"], f.net_l)}
    if f.tap is None:
        return "nitrate_over_untested", usual  # the tap leaves the change unsized: the usual one, and a test with it
    ph, every = f.water.get("ph"), f.mean_gap_days or f.visit_days or 7.0
    most = mixing.largest_change(None if ph is None else ph.matched, f.tap_ph, f.assumed)
    holding = mixing.holding_change(f.recent_rate, every, ceiling, f.tap, f.assumed)
    way = mixing.way_down(f.level or matched, ceiling, f.tap, f.recent_rate, every, most, f.assumed, holding)
    if way is None:  # by the calculated level it is under already, or no change brings it down: the plan says what does
        return "nitrate_over_no_way", usual
    when = "the next visit" if way[1] == 1 else f"each of the next {way[1]} visits"
    return "nitrate_over_ceiling", {"size": change_text(way[0], f.net_l), "when": when}


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
        case, shown = _way_down(f, read.matched, ceiling)
        harm = nearer(NITRATE, read.matched / max(ceiling, 1.0))
        return finding(f, case, WEEK, harm, read=read, dilute=DILUTE if read.high is None else None, **shown)
    return finding(f, "nitrate_near_ceiling", PLAN, f.assumed["far_weeks"] / 2, read=read)


def off_the_chart(f: TankFacts) -> Finding | None:
    """Nitrate off the top of its chart: how high it is nobody can say."""
    if f.last_low is None or f.last_age is None:
        return None
    if f.last_high is None:
        return finding(f, "off_the_chart", CANT, -float(f.last_age), over=reading_range("nitrate", f.last_low, None))
    return finding(f, "often_off_the_chart", CANT, -float(f.last_age)) if f.recent_state == "at least" else None


def flow_low(f: TankFacts) -> Finding | None:
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
    by_flow, guess = f.half_limit == "flow", " (flow estimated)" if f.flow_basis == "estimated" else ""
    limit = f"the flow limits it{guess}" if by_flow else "the media limits it" if f.half_limit == "media" else None
    step = "Time the flow; clean pads, hose and impeller" if by_flow else "Add biological media or foam, or feed less"
    if shows := [name for name in ("ammonia", "nitrite") if f.shows(name)]:
        age, harm = min(f.water[name].age_days for name in shows), nearer(NITRATE, 1 - f.half_rating_l / f.net_l)
        return finding(f, "half_cycle_shows", WEEK, harm, limit=limit, step=step, shows=shows, age=age)
    return finding(f, "half_cycle_short", PLAN, f.assumed["far_weeks"] / 4, limit=limit, step=step)


def closed_today(f: TankFacts) -> Finding | None:
    """The last day a tank ran: it is in the review once more, never silently gone."""
    closes = f.closed is not None and f.closed == f.as_of
    return finding(f, "closed_today", DUE, 0.0) if closes else None


# -- the fish: each for this week, and for today where the water is bad too --

GASP = re.compile(
    r"(?i)\b(?:gasp\w*|gulp\w* (?:for )?air|panting|breath\w* (?:fast|hard|heav\w*)|at the surface for air)"
)
NO_GASP = re.compile(r"(?i)\b(?:no|not|never|none|nobody|without|stopped|isn't|aren't)\b[^.;,]{0,20}$")
CP, HOUSE = BASES["CP"], BASES["HOUSE"]


def _fish(f: TankFacts, reason: str, basis: str, over: float = 0.0) -> Finding:
    of_water = (rule(f) for rule in (*WATER_RULES, held_danger))
    bad = any(found is not None and found.class_ in (ACT, WEEK) for found in of_water)
    water = " A reading of the water is bad too." if bad else ""
    return finding(f, "fish", ACT if bad else WEEK, nearer(FISH, over), seen=reason, basis=basis, water=water)


def gasps(text: str | None) -> bool:
    """Whether a note tells of fish that gasp; “no gasping” does not."""
    return any(not NO_GASP.search((text or "")[: hit.start()]) for hit in GASP.finditer(text or ""))


def _looks(f: TankFacts) -> list[Row]:
    """The visits of some weeks at which somebody wrote how the fish look or how many were seen, oldest first."""
    visits = f.lately("visit", f.assumed["fish_look_days"])
    return [row for row in visits if row["fish_look"] is not None or row["fish_seen"] is not None]


def fish_gasping(f: TankFacts) -> Finding | None:
    """Gasping told in a note or an event of the last week, and no look since that found them well."""
    back = f.assumed["alarm_back_days"]
    gasped = [row["ago"] for name in ("visit", "event") for row in f.lately(name, back) if gasps(row["note"])]
    if not gasped:
        return None
    ago = min(gasped)
    if any(row["fish_look"] == "well" and row["ago"] < ago for row in _looks(f)):
        return None
    return _fish(f, f"fish gasp, by a note, {aged(ago)}", f"a note says gasping; {CP}", 9.0)


def fish_look_off(f: TankFacts) -> Finding | None:
    looks = [row for row in _looks(f) if row["fish_look"] is not None]
    if not looks or looks[-1]["fish_look"] != "off":
        return None
    return _fish(f, f"the fish looked off, {aged(looks[-1]['ago'])}", f"how the fish look, as recorded; {CP}", 2.0)


def fish_not_seen(f: TankFacts) -> Finding | None:
    looks = _looks(f)
    if not looks or not (looks[-1]["fish_look"] == "not seen" or looks[-1]["fish_seen"] == 0):
        return None
    return _fish(f, f"no fish seen, {aged(looks[-1]['ago'])}", f"fish seen, as recorded; {CP}", 4.0)


def fish_fewer(f: TankFacts) -> Finding | None:
    """A fifth or more of the fish counted before are not seen, and no record says where they went."""
    counts = [row for row in f.lately("visit", 4 * f.assumed["fish_look_days"]) if row["fish_seen"] is not None]
    if len(counts) < 2 or counts[-1]["ago"] >= f.assumed["fish_look_days"] or counts[-1]["fish_seen"] == 0:
        return None
    was, now = counts[-2], counts[-1]
    moved = 0.0
    for row in f.lately("event", was["ago"] + 1.0):
        many = 1.0 if row["count"] is None else row["count"]
        # Fish that went or came on the day of a count may be in it or not: neither is held against the count.
        if row["event"] in ("fish out", "fish died") and row["ago"] >= now["ago"]:
            moved -= many
        elif row["event"] == "fish in" and now["ago"] < row["ago"] < was["ago"]:
            moved += many
    expected = was["fish_seen"] + moved
    gone = expected - now["fish_seen"]
    if gone <= 0 or round(gone - f.assumed["fish_fall_share"] * expected, 9) < 0:
        return None
    before = f"{amount(expected, 0)} expected" if moved else f"{amount(was['fish_seen'], 0)} before"
    seen = f"{amount(now['fish_seen'], 0)} fish seen {aged(now['ago'])}, {before}: no record why"
    basis = f"a fall of {100 * f.assumed['fish_fall_share']:.0f} % or more that no event explains; {HOUSE}"
    return _fish(f, seen, basis, gone / expected)


def fish_deaths(f: TankFacts) -> Finding | None:
    limit = f.assumed["act_deaths_week"]
    died = [row for row in f.lately("event", f.assumed["alarm_back_days"]) if row["event"] == "fish died"]
    deaths = sum(1.0 if row["count"] is None else row["count"] for row in died)
    if not died or deaths < limit:
        return None
    many, last = counted(int(deaths), "fish", "fish"), died[-1]["ago"]
    return finding(f, "fish_deaths", ACT, nearer(DEATHS, deaths), deaths=many, last=last)
