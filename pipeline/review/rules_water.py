"""Rules about the water: welfare before nitrate, always. Values are matched values, limits assumptions."""

from pipeline.calc.chemistry import free_ammonia_mg_l
from pipeline.calc.water import SAMPLE
from pipeline.review.facts import TankFacts
from pipeline.review.finding import ACT, CP, DUE, HOUSE, WEEK, Finding
from pipeline.wording import NBSP, aged, change_words, counted, day, reading, reading_range

# Order within the two urgent classes: what kills soonest comes first, smaller is nearer. The trap comes before all,
# since its step forbids what the others would ask for.
TRAP, FREE, NITRITE, STOPPED, DEATHS, FISH, PH, KH, TEMPERATURE, AMMONIA, NITRATE, FLOW = (100.0 * n for n in range(12))


def nearer(order: float, over: float) -> float:
    """A place in the order of welfare; the further over its limit, the sooner."""
    return order - 10 * min(max(over, 0.0), 9.0)


def small_change(f: TankFacts) -> str:
    """The daily change of the old-tank trap, where a large one can kill."""
    return change_words(f.assumed["old_tank_change_share"], f.net_l)


def change_now(f: TankFacts, share: str) -> str:
    """The water to change now; small steps only in the old-tank trap."""
    if f.trap:
        return f"Change no more than {small_change(f)}"
    return f"Change {change_words(f.assumed[share], f.net_l)}"


def _calculated_from(f: TankFacts) -> str:
    """What free ammonia was calculated from, the temperature with where it comes from unless the sample had its own."""
    read = f.water["free_ammonia"]
    if read.of_ammonia is None or read.of_ph is None:
        return "readings of one visit"
    said = f"ammonia {reading('ammonia', read.of_ammonia)} at pH {reading('ph', read.of_ph)}"
    if read.celsius is None:
        return said
    source = "" if read.celsius_from in (None, SAMPLE) else f", {read.celsius_from}"
    return f"{said} and {reading('temperature', read.celsius)}{source}"


def free_ammonia(f: TankFacts) -> Finding | None:
    """Free ammonia over its limit; where only the high end passes it, a retest."""
    read, limit = f.water.get("free_ammonia"), f.assumed["act_free_ammonia"]
    if read is None:
        return None
    said, age = reading_range("free_ammonia", read.low, read.high), aged(read.age_days)
    basis = f"calculated from ammonia, pH and temperature of one visit; limit {limit:g} mg/L, {CP}"
    if read.matched > limit:
        now = change_now(f, "act_change_share")
        return Finding(
            ACT,
            f"free ammonia {said}, {age}",
            f"{now} today, no food, retest tomorrow",
            basis,
            nearer(FREE, read.matched / limit),
            f"Free ammonia {said}, {age}, over the {limit:g} at which gills are harmed"
            f" (calculated from {_calculated_from(f)}).",
            f"{now} today with conditioned water of the same temperature, conditioner as its label says; no food; more"
            " air; retest ammonia and nitrite tomorrow.",
        )
    if read.zero or not (read.high is None or read.high > limit):
        return None
    return Finding(
        WEEK,
        f"free ammonia may be over {limit:g}: {said}, {age}",
        "Retest ammonia and pH this week, with the finer kit if there is one",
        basis,
        FREE,
        f"Free ammonia {said}, {age}: the kit cannot tell whether it is over {limit:g} (calculated from"
        f" {_calculated_from(f)}).",
        "Retest ammonia, pH and temperature this week; no extra food until then.",
    )


def nitrite_act(f: TankFacts) -> Finding | None:
    """Nitrite at which the tank is acted on today; where only the high end reaches it, a retest."""
    read, limit = f.water.get("nitrite"), f.assumed["act_nitrite"]
    if read is None:
        return None
    said, age = reading_range("nitrite", read.low, read.high), aged(read.age_days)
    basis = f"nitrite from {limit:g} mg/L is acted on today; {CP}"
    if read.matched >= limit:
        # A new tank is expected to show nitrite; it still harms fish, so it is acted on, more gently.
        now = change_now(f, "act_change_share" if f.established else "usual_change_share")
        value = reading("nitrite", read.matched)
        new = "" if f.established else " The tank is new, so its filter is still maturing."
        return Finding(
            ACT,
            f"nitrite {value}, {age}",
            f"{now} today, no food for two days, retest tomorrow",
            basis,
            nearer(NITRITE, read.matched / limit),
            f"Nitrite {value} (read as {said}), {age}: fish cannot carry enough oxygen.{new}",
            f"{now} today, no food for 48 hours, more air, retest daily until it is 0 twice.",
        )
    told = f.established and f.shows("nitrite")  # by the rule below, which asks for a retest too
    if read.zero or told or not (read.high is None or read.high >= limit):
        return None
    return Finding(
        WEEK,
        f"nitrite may reach {limit:g}: {said}, {age}",
        "Retest nitrite this week",
        basis,
        NITRITE,
        f"Nitrite {said}, {age}: the kit cannot tell whether it reaches {limit:g}.",
        "Retest nitrite this week; halve the food until then.",
    )


def nitrite(f: TankFacts) -> Finding | None:
    """Nitrite in an established tank, over the trace that a kit can tell."""
    read, limit = f.water.get("nitrite"), f.assumed["act_nitrite"]
    if read is None or not f.shows("nitrite") or read.matched >= limit or not f.established:
        return None
    said, age, now = reading("nitrite", read.matched), aged(read.age_days), change_now(f, "usual_change_share")
    return Finding(
        WEEK,
        f"nitrite {said} in an established tank, {age}",
        f"{now}, halve the food, retest in two days",
        f"nitrite from {f.assumed['trace_nitrite']:g} mg/L in a tank over {f.assumed['established_weeks']:g} weeks"
        f" old; {CP}",
        nearer(NITRITE, read.matched / limit),
        f"Nitrite {said}, {age}; an established tank has none.",
        f"{now}, halve the food, leave the media alone, retest in two days.",
    )


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
    said, age, now = reading("ammonia", read.matched), aged(read.age_days), change_now(f, "usual_change_share")
    return Finding(
        WEEK,
        f"ammonia {said} in an established tank, {age}",
        f"{now}, halve the food, look for a dead fish",
        f"ammonia from {f.assumed['trace_ammonia']:g} mg/L in a tank over {f.assumed['established_weeks']:g} weeks"
        f" old; {CP}",
        nearer(AMMONIA, read.matched),
        f"Ammonia {said}, {age}; an established tank has none.",
        f"{now}, halve the food, count the fish, check the flow, retest in two days.",
    )


def free_over(f: TankFacts, ammonia_mg_l: float) -> bool:
    """Whether so much ammonia makes free ammonia over its limit at this tank's pH and temperature, where they are known."""
    ph, warmth = f.water.get("ph"), f.water.get("temperature")
    if ph is None:
        return False
    set_c = f.set_c if f.set_c is not None else f.assumed["temperature_reference_c"]
    celsius = warmth.matched if warmth is not None else set_c
    return bool(
        free_ammonia_mg_l([ammonia_mg_l], [ph.matched], [celsius], f.assumed)[0] > f.assumed["act_free_ammonia"]
    )


def tap_ammonia(f: TankFacts) -> Finding | None:
    """Ammonia in the tap that a change of it makes harmful in this tank. What harms none is told once, of the supply."""
    ph, supply, tap, read_on = f.water.get("ph"), f.water_supply, f.tap_ammonia, f.tap_ammonia_day
    if ph is None or supply is None or tap is None or read_on is None or tap < f.assumed["trace_ammonia"]:
        return None
    share = f.last_fraction if f.last_fraction is not None else f.assumed["usual_change_share"]
    if not free_over(f, tap * share):
        return None
    return Finding(
        WEEK,
        f"tap {supply} brought ammonia: {reading('ammonia', tap)}, {aged((f.as_of - read_on).days)}",
        "Change less at a time, treat the water for ammonia, retest next day",
        f"a change brings the tap's ammonia times the share changed; {CP}",
        AMMONIA,
        f"The tap {supply} had {reading('ammonia', tap)} of ammonia on {day(read_on)}; a change of"
        f" {change_words(share, None)} brings {reading('ammonia', tap * share)} of it, which is harmful at pH"
        f" {reading('ph', ph.matched)}.",
        "Use a conditioner that deals with ammonia, as its label says; change less at a time; retest the tank a day"
        " after the change, when it should be 0; test the tap once more.",
    )


def new_tank(f: TankFacts) -> Finding | None:
    """A tank in its first weeks: ammonia and nitrite are expected, watched, and no alarm."""
    if f.established or f.age_weeks is None:
        return None
    some = any(f.shows(name) for name in ("ammonia", "nitrite"))
    told = "; ammonia or nitrite shows, as expected" if some else ""
    age = counted(int(f.age_weeks), "week")
    return Finding(
        DUE,
        f"new tank, {age} old{told}",
        "Test ammonia and nitrite at each visit, add no fish",
        f"established from {f.assumed['established_weeks']:g} weeks; {CP}",
        -1.0,
        f"The tank is {age} old and its filter is still maturing{told}.",
        f"Test ammonia and nitrite at each visit; change {change_words(f.assumed['usual_change_share'], None)} when"
        f" either reaches {f.assumed['act_nitrite']:g}{NBSP}mg/L; add no fish.",
    )


def ph_low(f: TankFacts) -> Finding | None:
    """pH under its limit; where only the low end is, a retest."""
    read, limit = f.water.get("ph"), f.assumed["act_ph_below"]
    if read is None:
        return None
    said, age, small = reading("ph", read.matched, down=True), aged(read.age_days), small_change(f)
    basis = f"pH under {limit:g} is acted on today; {CP}"
    if read.matched < limit:
        return Finding(
            ACT,
            f"pH {said}, {age}",
            f"Test ammonia, then change {small} a day: no big change",
            basis,
            nearer(PH, limit - read.matched),
            f"pH {said}, {age}: too acid, and the bacteria of the filter slow down.",
            f"Test ammonia and KH first; then change {small} a day for a week. Raise KH slowly, at most 1{NBSP}dKH a"
            " day: as pH rises, ammonia becomes harmful.",
        )
    if read.low >= limit:
        return None
    said = reading_range("ph", read.low, read.high)
    return Finding(
        WEEK,
        f"pH may be under {limit:g}: read as {said}, {age}",
        "Retest pH and KH this week",
        basis,
        PH,
        f"pH {said}, {age}: the kit cannot tell whether it is under {limit:g}.",
    )


def ph_moved(f: TankFacts) -> Finding | None:
    """pH that moved too far within a week."""
    read, limit = f.water.get("ph"), f.assumed["act_ph_move_week"]
    if read is None or read.before_matched is None:
        return None
    # Rounded: 7.4 − 6.6 is 0.8 on the kit, whatever binary fractions make of it.
    move = round(abs(read.matched - read.before_matched), 6)
    if move < limit:
        return None
    was, now, age = reading("ph", read.before_matched), reading("ph", read.matched), aged(read.age_days)
    return Finding(
        ACT,
        f"pH moved from {was} to {now} in about a week, {age}",
        "Retest pH, KH and ammonia; ask what was added",
        f"a move of {limit:g} within 5 to 10 days; {HOUSE}",
        nearer(PH, move),
        do="Retest pH, KH, ammonia and temperature today with the other kit; ask what was added; correct slowly.",
    )


def kh_low(f: TankFacts) -> Finding | None:
    """Little KH left: this week; with pH falling: today."""
    read, ph = f.water.get("kh"), f.water.get("ph")
    week, act = f.assumed["week_kh_at"], f.assumed["act_kh_at"]
    if read is None or read.matched > week:
        return None
    falling = ph is not None and ph.before_matched is not None and ph.matched < ph.before_matched
    said, age, basis = reading("kh", read.matched), aged(read.age_days), (
        f"KH at or under {week:g} dKH; at or under {act:g} with pH falling: today; {CP}"
    )  # fmt: skip
    acts, harm = read.matched <= act and falling, nearer(KH, week - read.matched)
    small, usual = small_change(f), change_words(f.assumed["usual_change_share"], f.net_l)
    if acts or f.trap:
        step = f"Change {small} a day for a week, test ammonia first"
        do = f"Test ammonia first. Change {small} a day for a week; KH up by at most 1{NBSP}dKH a day."
    else:
        step = f"Change {usual} weekly three times, test the tap's KH"
        do = f"Test the tap's KH. Change {usual} weekly, three times, then find the interval."
    if acts and ph is not None:
        reason = f"KH {said} and pH falling, to {reading('ph', ph.matched)}, {age}"
        return Finding(ACT, reason, step, basis, harm, f"KH {said}, {age}: pH is falling already; it can drop overnight.", do)  # fmt: skip
    return Finding(
        WEEK, f"KH {said}, {age}", step, basis, harm, f"KH {said}, {age}: little is left to hold the pH.", do
    )


def old_tank_trap(f: TankFacts) -> Finding | None:
    """Acid water, no KH, high nitrate: a large change now can kill."""
    if not f.trap:
        return None
    ph, kh, nitrate = f.water["ph"], f.water["kh"], f.water["nitrate"]
    small, said = small_change(f), reading_range("nitrate", nitrate.low, nitrate.high)
    values = f"pH {reading('ph', ph.matched, down=True)}, KH {reading('kh', kh.matched)}"
    age = aged(max(ph.age_days, kh.age_days, nitrate.age_days))
    ammonia_read = f.water.get("ammonia")
    return Finding(
        ACT if ammonia_read is not None and ammonia_read.matched > 0 else WEEK,
        f"old-tank trap: {values}, nitrate {said}, {age}",
        f"No big change: {small} a day for a week, test ammonia first",
        f"pH under {f.assumed['old_tank_ph']:g}, KH at or under {f.assumed['act_kh_at']:g}, nitrate over the limit;"
        f" {HOUSE}",
        TRAP,
        f"{values} and nitrate {said}, {age}: acid has used up the buffer and the bacteria have slowed. A large change"
        " would raise the pH quickly, and ammonia suddenly becomes harmful.",
        f"Test ammonia first. Change {small} a day for seven to ten days. No new fish, halve the food.",
    )


def temperature_off(f: TankFacts) -> Finding | None:
    """Water too warm or too cold for its set temperature."""
    read, limit = f.water.get("temperature"), f.assumed["act_temperature_off_c"]
    if read is None or f.set_c is None or round(abs(read.matched - f.set_c), 6) < limit:
        return None
    off, age = read.matched - f.set_c, aged(read.age_days)
    now, want = reading("temperature", read.matched), reading("temperature", f.set_c)
    if off < 0:
        step = f"Check the heater; warm by no more than 1{NBSP}°C an hour"
        do = f"Check the heater and its plug; warm by at most 1{NBSP}°C an hour; retest nitrite in two days."
    else:
        step = "Check heater, sun and room; cool slowly, more air"
        do = "Unplug the heater if it sticks; shade, more air; cool slowly; retest tomorrow."
    return Finding(
        ACT,
        f"water at {now}, set to {want}, {age}",
        step,
        f"{limit:g} °C from the set temperature; {CP}",
        nearer(TEMPERATURE, abs(off)),
        f"The water was {now}, {age}, and is set to {want}.",
        do,
    )


WATER_RULES = (free_ammonia, nitrite_act, nitrite, ammonia, ph_low, ph_moved, kh_low, old_tank_trap, temperature_off)  # fmt: skip
