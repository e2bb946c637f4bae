"""Rules about the fish themselves: how they look, whether they are seen, whether they die. Each is for this week, and
for today where the water is bad too."""

import re

from pipeline.review.facts import Row, TankFacts
from pipeline.review.finding import ACT, BASES, WEEK, Finding, finding
from pipeline.review.rules_doubt import held_danger
from pipeline.review.rules_water import DEATHS, FISH, WATER_RULES, nearer
from pipeline.wording import aged, amount, counted

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
