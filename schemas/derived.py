"""What is calculated: every frame is keyed by tank and the day it was calculated for (`as_of`)."""

import datetime as dt

from schemas.columns import Frame, column
from schemas.words import CAUSES, CLASSES, LOAD_STATES, RATE_STATES


class Ask(Frame):
    """What to calculate: these tanks as of these days. Every function of calculate takes such a frame."""

    tank: str = column("Tank id", kind="key", required=True)
    as_of: dt.date = column("As of", kind="date", required=True)


class Capacity(Ask):
    """Plain and working rating; unknown is null and `missing` names what is wanted."""

    gross_l: float = column("Gross volume", unit="L")
    net_l: float = column("Net volume", unit="L")
    net_basis: str = column("Net known by", "measured, or assumed from gross.")
    filters: list[str] = column("Filters on the tank that day", required=True)
    media_kg: float = column("Media that counts", "Dry, for the plain rating.", unit="kg")
    plain_l: float = column("Plain rating", unit="L")
    plain_load_pct: float = column("Bioload of the plain rating", unit="%")
    plain_state: str = column("Plain state", kind="word", words=LOAD_STATES, required=True)
    over_full_cycle: bool = column("Over its full-cycle rating")
    missing: str = column("Missing", "What is needed before it can be said.")
    load: float = column("Stocking factor")
    load_basis: str = column("Stocking from", "feed, stocking class, or assumed normal.")
    feed_g_day: float = column("Food", unit="g/day")
    plants: float = column("Plants factor")
    need_kg: float = column("Need", unit="kg")
    effective_kg: float = column("Effective media", unit="kg")
    working_load_pct: float = column("Bioload of the working rating", unit="%")
    working_state: str = column("Working state", kind="word", words=LOAD_STATES, required=True)
    temperature_c: float = column("Temperature used", unit="°C")
    temperature_basis: str = column("Temperature from", "readings, set temperature or none.")
    half_rating_l: float = column("Half-cycle rating", unit="L")
    half_limit: str = column("Half-cycle limit", "media, flow, or flow unknown.")
    flow_l_h: float = column("Flow", unit="L/h")
    flow_basis: str = column("Flow known by", "timed, estimated or unknown.")
    flow_day: dt.date = column("Flow timed on")
    flow_of_clean: float = column("Flow as a share of clean")
    if_biggest_stops_pct: float = column("Half-cycle bioload if the biggest filter stops", unit="%")
    expected_rise: float = column("Nitrate the food makes", unit="mg/L NO3 per day")
    expected_low: float = column("Least of it", unit="mg/L NO3 per day")
    expected_high: float = column("Most of it", unit="mg/L NO3 per day")
    expected_published: float = column("The same by a published share", "A second opinion.", unit="mg/L NO3 per day")


class CapacityLayer(Ask):
    """One row a layer of every filter on the tank that day, in flow order, with every factor."""

    filter: str = column("Filter id", kind="key", required=True)
    position: int = column("Position of the compartment", required=True)
    compartment: str = column("Compartment", kind="key", required=True)
    layer: int = column("Layer", required=True)
    stage: str = column("Stage", kind="key")
    medium: str = column("Medium", kind="key", required=True)
    mass_kg: float = column("Dry mass", unit="kg")
    depth_mm: float = column("Depth", unit="mm")
    wetted: dt.date = column("Wetted")
    age_weeks: float = column("Age", unit="weeks")
    counts: bool = column("Counts for the plain rating", required=True)
    quality: float = column("Quality")
    place: float = column("Place")
    maturity: float = column("Maturity")
    disturbance: float = column("Disturbance")
    clog: float = column("Clog")
    temperature: float = column("Temperature")
    effective_kg: float = column("Effective mass", unit="kg")
    why: str = column("Why a factor is not 1")


class NitrateFit(Ask):
    """Net rise in one window. No number without an interval: see METHODS words in `state`."""

    window: str = column("Window", kind="word", words=("recent", "baseline"), required=True)
    since: dt.date = column("First reading used")
    readings: int = column("Readings", required=True)
    rate: float = column("Net rise", unit="mg/L NO3 per day")
    low: float = column("Low", "Of the 90 % interval.", unit="mg/L NO3 per day")
    high: float = column("High", "Of the 90 % interval.", unit="mg/L NO3 per day")
    state: str = column("State", kind="word", words=RATE_STATES, required=True)


class NitrateOutlook(Ask):
    """Where nitrate stands and where it goes, one row a tank and day."""

    ceiling: float = column("Limit", unit="mg/L NO3", required=True)
    trend: str = column("Trend", kind="word", words=("climbing", "steady", "not clear"), required=True)
    plateau: float = column("Levels off near", unit="mg/L NO3")
    plateau_low: float = column("Low", unit="mg/L NO3")
    plateau_high: float = column("High", unit="mg/L NO3")
    weeks_to_ceiling: float = column("Weeks to the limit", "Before-change level; null when never.", unit="weeks")
    over_ceiling_probability: float = column("Chance over the limit within the horizon")
    level: float = column("Level calculated for the day", unit="mg/L NO3")
    level_low: float = column("Low", unit="mg/L NO3")
    level_high: float = column("High", unit="mg/L NO3")
    tap: float = column("Tap nitrate used", unit="mg/L NO3")
    tap_day: dt.date = column("Tap tested on")
    mean_fraction: float = column("Mean fraction changed a visit")
    mean_gap_days: float = column("Mean days between visits", unit="days")
    change_share: float = column("Share of visits with a change")
    hand_per_week: float = column("Net rise by hand", unit="mg/L NO3 per week")
    hand_intervals: int = column("Intervals in it", required=True)
    removal_low: float = column("Apparent removal, low")
    removal_high: float = column("Apparent removal, high")
    witness: str = column("KH witness", "cannot tell, doubt the nitrate test, consistent with removal, more acid.")
    witness_says: str = column("KH witness in words")


class StepAlarm(Ask):
    """The last step alarm raised in the twelve weeks to as-of; no row where there is none."""

    since: dt.date = column("Since", "Day of the visit after which the rise stepped up.", required=True)
    raised: dt.date = column("Raised", "Day of the visit at which it was seen.", required=True)
    size: float = column("Size", unit="mg/L NO3 per day", required=True)
    z: float = column("z", required=True)
    kit_batch: str = column("Shared kit", "Held down: many tanks of this kit stepped together.")


class Suspect(Ask):
    """A reading that the fit weighs at under half: flagged, never deleted."""

    file: str = column("File", kind="key", required=True)
    line: int = column("Line", required=True)
    day: dt.date = column("Day", required=True)
    weight: float = column("Weight", required=True)


class NitratePath(Ask):
    """The fitted saw-tooth and the forecast, for the chart: two points a visit."""

    at: dt.datetime = column("At", required=True)
    part: str = column("Part", kind="word", words=("fit", "forecast"), required=True)
    level: float = column("Level", unit="mg/L NO3", required=True)
    low: float = column("Low, 90 %", unit="mg/L NO3", required=True)
    high: float = column("High, 90 %", unit="mg/L NO3", required=True)
    low_half: float = column("Low, 50 %", unit="mg/L NO3", required=True)
    high_half: float = column("High, 50 %", unit="mg/L NO3", required=True)


class Water(Ask):
    """The latest reading of each parameter within 28 days of as-of, one row a parameter; of samples of one day the worst
    for ammonia, nitrite, free ammonia and a dangerous pH, else the one before the change.

    `parameter` is one of words.PARAMETERS, or `free_ammonia` [mg/L NH3], calculated from readings of one visit.
    """

    parameter: str = column("Parameter", kind="key", required=True)
    low: float = column("Low", required=True)
    high: float = column("High", "Blank when open above.")
    matched: float = column("Matched", required=True)
    day: dt.date = column("Day", required=True)
    age_days: int = column("Age", unit="days", required=True)
    taken: str = column("Taken", kind="key", required=True)
    expired: bool = column("Kit expired", required=True)
    zero: bool = column("A plain 0", "Nothing was found; “under 0.5” is no such reading.")
    before_matched: float = column("Matched a week or so before", "Latest reading 5 to 10 days earlier.")
    celsius: float = column("Temperature used", "Of free ammonia, as the next three.", unit="°C")
    celsius_from: str = column("Temperature from", "the sample, an earlier reading, the set temperature, or assumed.")
    of_ammonia: float = column("Ammonia used", unit="mg/L NH4")
    of_ph: float = column("pH used")


class Due(Ask):
    """A job with a date: late, due, or coming."""

    what: str = column(
        "What", "check, carbon, kit, tap test, flow test, cross-check, promise, tests left", required=True
    )
    on: dt.date = column("On", required=True)
    late_days: int = column("Days overdue", "Negative while it is coming.", required=True)
    says: str = column("In words", required=True)
    do: str = column("Next step", required=True)
    about: str = column("About", "Filter, kit, supply or promise it concerns.", kind="key")
    basis: str = column("Basis", required=True)


class Audit(Ask):
    """A fault in how a filter is laid out, or in what the book says of it."""

    filter: str = column("Filter id", kind="key", required=True)
    fault: str = column("Fault", kind="key", required=True)
    says: str = column("What is wrong and why it matters", required=True)
    do: str = column("What to move", required=True)


class Explanation(Ask):
    """An explanation of the nitrate readings that the balance can express, refitted: better than none by `gain`."""

    cause: str = column("Cause", kind="word", words=(*CAUSES, "rise", "fall", "reader"), required=True)
    gain: float = column("Gain", "Log-likelihood over the plain balance, penalised.", required=True)
    since: dt.date = column("Since", "First day that it would explain.", required=True)
    size: float = column("Size", "Share changed, times, mg/L of the tap, or mg/L NO3 per day.")
    was: float = column("What stands in the log", unit="mg/L NO3")
    would_be: float = column("What it would be if so", unit="mg/L NO3")
    tanks: int = column("Tanks that share it", required=True)
    kit: str = column("Kit", kind="key")
    other: str = column("The other tank", kind="key")
    by: str = column("Who reads more", kind="key")
    than: str = column("Than whom", "Blank for the others together.", kind="key")
    file: str = column("File", kind="key")
    line: int = column("Line", kind="count")


class Finding(Ask):
    """One finding of one rule. `harm` orders within a class: smaller comes first."""

    rule: str = column("Rule", kind="key", required=True)
    class_: str = column("Class", kind="word", words=CLASSES, required=True, alias="class")
    reason: str = column("Reason", "Under 70 characters, for the week's table.", required=True)
    step: str = column("Step", "Under 80 characters, for the week's table.", required=True)
    says: str = column("In full", required=True)
    do: str = column("What to do, with quantities", required=True)
    basis: str = column("Basis", required=True)
    harm: float = column("Order within its class", required=True)
    quiet: bool = column("Alert paused until a later day", required=True)
    mark: str = column("Against the week before", "new or worse; blank when neither, or not reviewed then.")


class FindingCause(Ask):
    """A possible cause of a finding, the likeliest first, of like ones the cheapest check; at most three a finding."""

    rule: str = column("Rule", kind="key", required=True)
    place: int = column("Place", required=True, ge=1, le=3)
    cause: str = column("Cause", kind="word", words=CAUSES, required=True)
    because: str = column("The records that speak for it", required=True)
    check: str = column("The check", required=True)
    score: float = column("Weight against the others", "Logarithm of its odds, but for a constant.", required=True)


class Review(Ask):
    """One line a tank: its class, its reason and its next step, in ranking order."""

    rank: int = column("Rank", required=True, ge=1)
    class_: str = column("Class", kind="word", words=CLASSES, required=True, alias="class")
    reason: str = column("Reason", required=True)
    step: str = column("Next step", required=True)
    was_class: str = column("Class a week before", kind="word", words=CLASSES)
    changed: str = column("Changed since last week", "class, findings, step, held; blank when nothing has.")
