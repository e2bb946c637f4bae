"""Rules about where nitrate levels off and whether the filter is rated for it: rating beside evidence, never one alone."""

from pipeline import wording
from pipeline.calc import mixing
from pipeline.review.evidence import left_out
from pipeline.review.facts import TankFacts
from pipeline.review.finding import DUE, PLAN, STEADY, Finding, finding
from pipeline.review.rules_water import change_now
from pipeline.sentences import filled, table

HALF_ONLY = "half cycle only"
NUMBERS = ("ok", "rough")


def soon(f: TankFacts) -> float:
    """Order within plan: weeks to the limit; those that will not reach it come last, the likelier ones first."""
    weeks = f.assumed["far_weeks"] if f.weeks_to_ceiling is None else f.weeks_to_ceiling
    return weeks + 1 - (f.over_ceiling_probability or 0.0)


def rise(f: TankFacts) -> str:
    """The net rise a week; of a tank that climbs by a step in force, the step."""
    text = wording.rise_text(f.recent_state, f.recent_rate, f.recent_low, f.recent_high)
    if text.startswith(("rises", "falls")) or f.step_since is None:
        return text
    return f"its rise stepped up on {wording.day_month(f.step_since)}"


def change_for_ceiling(f: TankFacts) -> float | None:
    """The share a visit that holds the limit, f = R/(L − T); None where no change can."""
    share = mixing.holding_change(f.recent_rate, f.mean_gap_days, f.ceiling, f.tap, f.assumed)
    return share or None


def _short(f: TankFacts) -> str:
    """Media short of the plain rule: `0.52 kg media`."""
    if f.net_l is None:
        return "media"
    return wording.with_unit(wording.amount(f.net_l / f.assumed["litres_per_kg"] - (f.media_kg or 0.0), 2), "kg media")


def _cure(f: TankFacts) -> str:
    """What holds it: the media it is short of, or the change a visit."""
    share = change_for_ceiling(f)
    tail = "; see the plan" if share is None else f"; until then change {wording.change_text(share, f.net_l)}"
    return f"Feed less or add {_short(f)}{tail}"


def _plateau_over(f: TankFacts) -> bool:
    return f.plateau is not None and f.ceiling is not None and f.plateau > f.ceiling


def busy(f: TankFacts) -> bool:
    """Climbing, or on its way over its limit."""
    return f.climbing or _plateau_over(f)


def calm(f: TankFacts) -> bool:
    """Known to be steady, or to level off under the limit with the whole range: never by want of readings."""
    if f.trend == "steady":
        return True
    if f.plateau is None or f.plateau_low is None or f.plateau_high is None or f.ceiling is None:
        return False
    return f.plateau_high <= f.ceiling and f.recent_state in NUMBERS and not busy(f)


def _how(f: TankFacts) -> str:
    """The evidence beside a rating that is passed, in a few words."""
    if f.trend == "steady":
        return "nitrate steady"
    if calm(f):
        return wording.levels_off(f.plateau, f.plateau_low, f.plateau_high)
    return "no trend known yet" if f.recent_state in (None, "too few") else "no clear trend"


def _over(f: TankFacts) -> bool:
    return bool(f.over_full_cycle) and f.plain_state != HALF_ONLY


def _levels_off(f: TankFacts) -> str:
    """Where it levels off, as the tail of a sentence."""
    if f.ceiling is None:
        return ""
    off = None if f.plateau is None else wording.levels_off(f.plateau, f.plateau_low, f.plateau_high)
    weeks = wording.about_weeks(f.weeks_to_ceiling) if (f.weeks_to_ceiling or 0.0) > 0 else None
    there = "; {off}; limit {f.ceiling:g}[, there in about {weeks}]"
    never = "[; no water is changed: limit {f.ceiling:g}, there in about {weeks}]"
    return filled(there if off else never, f=f, off=off, weeks=weeks)


def _tap_swings(f: TankFacts) -> str:
    """What a tap that rises and falls with the season asks, before anything is bought."""
    least, most = f.tap_least, f.tap_most
    if least is None or most is None or most - least < f.assumed["explained_tap"]:
        return ""
    weeks = f.assumed["tap_season_weeks"]
    return f" Within {weeks:g} weeks this tap brought {wording.span(least, most, 0)} mg/L nitrate: test it first."


def over_full_cycle_rating(f: TankFacts) -> Finding | None:
    """Over the plain rating: to plan for when nitrate climbs or nobody knows, else told and left alone."""
    if not _over(f) or f.plain_load_pct is None:
        return None
    case, class_, how = "over_rating_unclear", PLAN, _how(f)
    if busy(f):
        case, how = "over_rating_busy", f"short of {_short(f)}"
    elif calm(f):
        case, class_ = "over_rating_calm", STEADY
    load = f"bioload {wording.pct(f.plain_load_pct)} of its plain rating"
    says = wording.sentence(f"{load}, {how}.")
    if f.net_l is not None and f.media_kg is not None and f.plain_l is not None:
        net, rates = (wording.with_unit(wording.amount(litres, 0), "L") for litres in (f.net_l, f.plain_l))
        rated = f"{net} net on {wording.with_unit(wording.amount(f.media_kg, 2), 'kg')} of media rates {rates}"
        says = f"{rated}: {load} for the full cycle (nitrate removed too), short of {_short(f)}."
    if f.plain_state == "borderline":
        says += " That is within the rule's own uncertainty."
    return finding(f, case, class_, soon(f), load=load, how=how, cure=_cure(f), says=says)


def over_and_climbing(f: TankFacts) -> Finding | None:
    """Over its rating and climbing: expected, and to be planned for."""
    if not _over(f) or not f.climbing or f.plain_load_pct is None:
        return None
    shown = {"rise": rise(f), "cure": _cure(f), "levels_off": _levels_off(f), "swings": _tap_swings(f)}
    return finding(f, "over_and_climbing", PLAN, soon(f) - 0.5, **shown)


def climbing_within_rating(f: TankFacts) -> Finding | None:
    """Within its rating, or rating not known, and climbing: look for a cause."""
    if _over(f) or f.plain_state == HALF_ONLY or not f.climbing:
        return None
    case = "climbing_not_rated" if f.plain_load_pct is None else "climbing_within_rating"
    return finding(f, case, PLAN, soon(f), rise=rise(f), levels_off=_levels_off(f), swings=_tap_swings(f))


def no_rated_media(f: TankFacts) -> Finding | None:
    """No media that counts for the full cycle: half cycle only, and nitrate goes by changes alone."""
    if f.plain_state != HALF_ONLY:
        return None
    case, class_, how, share = "no_rated_media", PLAN, _how(f), change_for_ceiling(f)
    if busy(f):
        case, how = "no_rated_add" if share is None else "no_rated_change", rise(f)
    elif f.trend == "steady" and f.plateau is not None and (f.change_share or 0.0) > 0:  # recorded changes hold it
        case, class_ = "no_rated_held", STEADY
    elif calm(f):
        case, class_ = "no_rated_calm", STEADY
    need = None if f.net_l is None else f.net_l / f.assumed["litres_per_kg"]
    change = None if share is None else wording.change_text(share, f.net_l)
    return finding(f, case, class_, soon(f), how=how, change=change, levels_off=_levels_off(f), need=need)


def plateau_above_ceiling(f: TankFacts) -> Finding | None:
    """Under the present routine nitrate levels off above the limit, or never does."""
    if f.ceiling is None or f.recent_state not in (*NUMBERS, "at least"):
        return None
    weeks = f.weeks_to_ceiling
    ahead = weeks is not None and weeks > 0
    never = f.plateau is None and ahead and f.recent_low is not None and f.recent_low > 0
    if not (never or _plateau_over(f)):
        return None
    share = change_for_ceiling(f)
    if f.tap is not None and f.tap >= f.ceiling:
        step = f"Tap is {wording.reading('nitrate', f.tap)}: part RO water, or media; tap water cannot do it"
    elif share is None:
        step = "Less food or more media: no water change alone holds it"
    else:
        step = f"Change {wording.change_text(share, f.net_l)} each visit holds it; see the plan"
    shown = {"step": step, "weeks": wording.about_weeks(weeks) if ahead else None}
    if never:
        return finding(f, "never_levels_off", PLAN, soon(f), rise=rise(f), levels_off=_levels_off(f), **shown)
    off = wording.levels_off(f.plateau, f.plateau_low, f.plateau_high)
    return finding(f, "plateau_above_ceiling", PLAN, soon(f), off=off, **shown)


def rise_stepped_up(f: TankFacts) -> Finding | None:
    """The net rise stepped up: the early sign, before nitrate passes its limit."""
    if f.step_since is None or f.step_size is None or f.step_kit_batch is not None:
        return None
    size = wording.with_unit(wording.amount(7 * f.step_size), "mg/L a week")
    return finding(f, "rise_stepped_up", PLAN, soon(f) - 0.25, size=size, levels_off=_levels_off(f))


def rise_seen(f: TankFacts) -> Finding | None:
    """Too few readings for a rate, yet the first range and the last do not touch: nitrate rose all the same."""
    if f.recent_state not in (None, "too few") or f.climbing or not f.span_days or f.span_one_kit is not True:
        return None
    if f.span_first_low is None or f.span_first_high is None or f.span_last_low is None:
        return None
    if f.span_last_low <= f.span_first_high:
        return None
    was = wording.reading_range("nitrate", f.span_first_low, f.span_first_high).removesuffix(f"{wording.NBSP}mg/L")
    now = wording.reading_range("nitrate", f.span_last_low, f.span_last_high)
    return finding(f, "rise_seen", PLAN, soon(f), was=was, now=now)


def changes_missed(f: TankFacts) -> Finding | None:
    """Changes of water left out at most visits of late, where they were usual, while nitrate rises between them."""
    few, text = f.assumed["few_changes_share"], left_out(f)
    if text is None or f.recent_low is None or f.recent_low <= 0:
        return None
    if f.tap is not None and f.level is not None and f.tap >= f.level:  # such a change would raise it
        return None
    rises = wording.rise_text(f.recent_state, f.recent_rate, f.recent_low, f.recent_high)
    shown = {"missed": text, "of_water": text.removeprefix("water "), "now": change_now(f, "usual_change_share")}
    return finding(f, "changes_missed", DUE, -0.5, **shown, rises=rises, most=100 * (1 - few), least=100 * few)


def kit_shift(f: TankFacts) -> Finding | None:
    """Many tanks of one kit stepped together: one cause, and it is not their filters."""
    shifted = f.step_kit_batch is not None and f.step_since is not None
    return finding(f, "kit_shift", DUE, -2.0) if shifted else None


def _records_of_the_week(f: TankFacts) -> list[str]:
    """What was recorded in the week that makes the filter's work more or its media less."""

    def says(case: str, **shown: object) -> str:
        return filled(table(__file__, "explained.toml")["week"][case], f=f, **shown)

    changes = []
    for was, now in zip([None, *f.fed], f.fed, strict=False):
        if (f.as_of - now["day"]).days < 7 and (was is None or now["feed_g_day"] > was["feed_g_day"]):
            changes.append(says("food" if was is None else "more food", was=was, now=now))
    changes += [says("fish in", row=row) for row in f.lately("event", 7) if row["event"] == "fish in"]
    if gone := sorted(set(f.was_filters or ()) - set(f.filters or ())):
        changes.append(says("moved away", gone=gone))
    elif f.was_media_kg is not None and f.media_kg is not None and round(f.was_media_kg - f.media_kg, 6) > 0:
        changes.append(says("less media"))
    return changes


def overload_recorded(f: TankFacts) -> Finding | None:
    """A record of this week takes the working bioload from within to over its rating: told at once."""
    within, was = f.assumed["within_pct"], f.was_working_load_pct
    if was is None or was > within:
        return None
    none_left = f.working_load_pct is None and f.working_state == HALF_ONLY
    if not none_left and (f.working_load_pct is None or f.working_load_pct <= within):
        return None
    records = _records_of_the_week(f)
    if not records:
        return None
    now = "no media that works" if none_left else wording.pct(f.working_load_pct)
    return finding(f, "overload_recorded", PLAN, soon(f) - 1.0, records=records, now=now)
