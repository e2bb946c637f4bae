"""Rules about the water: welfare before nitrate, always. Values are matched values, limits assumptions."""

from pipeline.calc.chemistry import free_ammonia_mg_l
from pipeline.calc.water import SAMPLE
from pipeline.review.facts import TankFacts
from pipeline.review.finding import ACT, DUE, WEEK, Finding, finding
from pipeline.sentences import filled
from pipeline.wording import change_text, counted, reading

# Order within the two urgent classes: what kills soonest comes first, smaller is nearer. The trap comes before all,
# since its step forbids what the others would ask for.
TRAP, FREE, NITRITE, STOPPED, DEATHS, FISH, PH, KH, TEMPERATURE, AMMONIA, NITRATE, FLOW = (100.0 * n for n in range(12))


def nearer(order: float, over: float) -> float:
    """A place in the order of welfare; the further over its limit, the sooner."""
    return order - 10 * min(max(over, 0.0), 9.0)


def small_change(f: TankFacts) -> str:
    """The daily change of the old-tank trap, where a large one can kill."""
    return change_text(f.assumed["old_tank_change_share"], f.net_l)


def change_now(f: TankFacts, share: str) -> str:
    """The water to change now; small steps only in the old-tank trap."""
    if f.trap:
        return f"Change no more than {small_change(f)}"
    return f"Change {change_text(f.assumed[share], f.net_l)}"


def _calculated_from(f: TankFacts) -> str:
    """What free ammonia was calculated from, the temperature with where it comes from unless the sample had its own."""
    read = f.water["free_ammonia"]
    if read.of_ammonia is None or read.of_ph is None:
        return "readings of one visit"
    source = None if read.celsius is None or read.celsius_from == SAMPLE else read.celsius_from
    says = "ammonia {read.of_ammonia:ammonia} at pH {read.of_ph:ph}[ and {read.celsius:temperature}][, {source}]"
    return filled(says, read=read, source=source)


def free_ammonia(f: TankFacts) -> Finding | None:
    """Free ammonia over its limit; where only the high end passes it, a retest."""
    read, limit = f.water.get("free_ammonia"), f.assumed["act_free_ammonia"]
    if read is None:
        return None
    shown = {"read": read, "made_of": _calculated_from(f)}
    if read.matched > limit:
        now = change_now(f, "act_change_share")
        return finding(f, "free_ammonia", ACT, nearer(FREE, read.matched / limit), now=now, **shown)
    if read.zero or not (read.high is None or read.high > limit):
        return None
    return finding(f, "free_ammonia_unsure", WEEK, FREE, **shown)


def nitrite_act(f: TankFacts) -> Finding | None:
    """Nitrite at which the tank is acted on today; where only the high end reaches it, a retest."""
    read, limit = f.water.get("nitrite"), f.assumed["act_nitrite"]
    if read is None:
        return None
    if read.matched >= limit:
        # A new tank is expected to show nitrite; it still harms fish, so it is acted on, more gently.
        now = change_now(f, "act_change_share" if f.established else "usual_change_share")
        new = "" if f.established else " The tank is new, so its filter is still maturing."
        return finding(f, "nitrite_act", ACT, nearer(NITRITE, read.matched / limit), read=read, now=now, new=new)
    by_nitrite_rule = f.established and f.shows("nitrite")  # by the rule below, which asks for a retest too
    if read.zero or by_nitrite_rule or not (read.high is None or read.high >= limit):
        return None
    return finding(f, "nitrite_act_unsure", WEEK, NITRITE, read=read)


def nitrite(f: TankFacts) -> Finding | None:
    """Nitrite in an established tank, over the trace that a kit can tell."""
    read, limit = f.water.get("nitrite"), f.assumed["act_nitrite"]
    if read is None or not f.shows("nitrite") or read.matched >= limit or not f.established:
        return None
    now = change_now(f, "usual_change_share")
    return finding(f, "nitrite", WEEK, nearer(NITRITE, read.matched / limit), read=read, now=now)


def ammonia(f: TankFacts) -> Finding | None:
    """Ammonia in an established tank, over the trace. After a change, what the tap brings with it is no alarm."""
    read = f.water.get("ammonia")
    if read is None or not f.shows("ammonia") or not f.established:
        return None
    # One change brings in T × f; the high end of the tap test is the most that T can be.
    most = f.tap_ammonia_high if f.tap_ammonia_high is not None else f.tap_ammonia
    brought = most * f.last_fraction if most is not None and f.last_fraction is not None else 0.0
    if read.taken == "after" and read.matched <= brought:
        return None
    now = change_now(f, "usual_change_share")
    return finding(f, "ammonia", WEEK, nearer(AMMONIA, read.matched), read=read, now=now)


def free_over(f: TankFacts, ammonia_mg_l: float) -> bool:
    """Whether so much ammonia makes free ammonia over its limit at this tank's pH and temperature, where they are known."""
    ph, warmth = f.water.get("ph"), f.water.get("temperature")
    if ph is None:
        return False
    set_c = f.set_c if f.set_c is not None else f.assumed["temperature_reference_c"]
    celsius = warmth.matched if warmth is not None else set_c
    free = free_ammonia_mg_l([ammonia_mg_l], [ph.matched], [celsius], f.assumed)[0]
    return bool(free > f.assumed["act_free_ammonia"])


def tap_ammonia(f: TankFacts) -> Finding | None:
    """Ammonia in the tap that a change of it makes harmful in this tank. What harms none is told once, of the supply."""
    ph, tap, read_on = f.water.get("ph"), f.tap_ammonia, f.tap_ammonia_day
    if ph is None or f.water_supply is None or tap is None or read_on is None or tap < f.assumed["trace_ammonia"]:
        return None
    share = f.last_fraction if f.last_fraction is not None else f.assumed["usual_change_share"]
    if not free_over(f, tap * share):
        return None
    age = (f.as_of - read_on).days
    return finding(f, "tap_ammonia", WEEK, AMMONIA, age=age, share=share, brought=tap * share, ph=ph.matched)


def new_tank(f: TankFacts) -> Finding | None:
    """A tank in its first weeks: ammonia and nitrite are expected, watched, and no alarm."""
    if f.established or f.age_weeks is None:
        return None
    some = any(f.shows(name) for name in ("ammonia", "nitrite"))
    shows = "; ammonia or nitrite shows, as expected" if some else ""
    return finding(f, "new_tank", DUE, -1.0, age=counted(int(f.age_weeks), "week"), shows=shows)


def ph_low(f: TankFacts) -> Finding | None:
    """pH under its limit; where only the low end is, a retest."""
    read, limit = f.water.get("ph"), f.assumed["act_ph_below"]
    if read is None:
        return None
    if read.matched < limit:
        ph = reading("ph", read.matched, down=True)
        return finding(f, "ph_low", ACT, nearer(PH, limit - read.matched), read=read, ph=ph, small=small_change(f))
    return None if read.low >= limit else finding(f, "ph_low_unsure", WEEK, PH, read=read)


def ph_moved(f: TankFacts) -> Finding | None:
    read, limit = f.water.get("ph"), f.assumed["act_ph_move_week"]
    if read is None or read.before_matched is None:
        return None
    # Rounded: 7.4 − 6.6 is 0.8 on the kit, whatever binary fractions make of it.
    move = round(abs(read.matched - read.before_matched), 6)
    return None if move < limit else finding(f, "ph_moved", ACT, nearer(PH, move), read=read)


def kh_low(f: TankFacts) -> Finding | None:
    """Little KH left: this week; with pH falling: today."""
    read, ph = f.water.get("kh"), f.water.get("ph")
    week, act = f.assumed["week_kh_at"], f.assumed["act_kh_at"]
    if read is None or read.matched > week:
        return None
    falling = ph is not None and ph.before_matched is not None and ph.matched < ph.before_matched
    acts, harm = read.matched <= act and falling, nearer(KH, week - read.matched)
    if acts and ph is not None:
        return finding(f, "kh_low_ph_falls", ACT, harm, read=read, ph=ph.matched, small=small_change(f))
    if f.trap:
        return finding(f, "kh_low_trap", WEEK, harm, read=read, small=small_change(f))
    return finding(f, "kh_low", WEEK, harm, read=read, usual=change_text(f.assumed["usual_change_share"], f.net_l))


def old_tank_trap(f: TankFacts) -> Finding | None:
    """Acid water, no KH, high nitrate: a large change now can kill."""
    if not f.trap:
        return None
    ph, kh, nitrate = f.water["ph"], f.water["kh"], f.water["nitrate"]
    values = f"pH {reading('ph', ph.matched, down=True)}, KH {reading('kh', kh.matched)}"
    age = max(ph.age_days, kh.age_days, nitrate.age_days)
    ammonia_read = f.water.get("ammonia")
    class_ = ACT if ammonia_read is not None and ammonia_read.matched > 0 else WEEK
    return finding(f, "old_tank_trap", class_, TRAP, values=values, nitrate=nitrate, age=age, small=small_change(f))


def temperature_off(f: TankFacts) -> Finding | None:
    read, limit = f.water.get("temperature"), f.assumed["act_temperature_off_c"]
    if read is None or f.set_c is None or round(abs(read.matched - f.set_c), 6) < limit:
        return None
    off = read.matched - f.set_c
    return finding(f, "too_cold" if off < 0 else "too_warm", ACT, nearer(TEMPERATURE, abs(off)), read=read)


WATER_RULES = (free_ammonia, nitrite_act, nitrite, ammonia, ph_low, ph_moved, kh_low, old_tank_trap, temperature_off)  # fmt: skip
