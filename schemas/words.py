"""The words that records, findings and pages may use. One word for one thing."""

import tomllib
from pathlib import Path

from schemas.parameters import BY_NAME

# -- records ---------------------------------------------------------------------------------------
PLANTING = ("none", "light", "moderate", "dense")
STOCKING = ("light", "normal", "heavy", "messy")
STAGES = ("settlement", "coarse", "medium", "fine", "biological", "chemical")  # in flow order
FILTER_KINDS = ("canister", "internal", "sump", "trickle", "air sponge", "hang-on")
SHAPES = ("box", "cylinder", "ring")
TAKEN = ("before", "after", "none", "unknown")
CHANGE_KINDS = ("change", "top-up", "emergency")
FISH_LOOK = ("well", "off", "not seen")
JOBS = ("check", "pads", "carbon in", "carbon out", "media rinsed", "impeller", "full")
RINSE_WATER = ("tank", "tap", "none")
FOUND = ("clean", "light", "heavy", "sludge")
EVENTS = (
    "fish in", "fish out", "fish died", "medication", "power cut", "overfed", "filter stopped",
    "electrical check",  # plugs, leads and lid looked at by eye: no test by an electrician
    "other",
)  # fmt: skip
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
DATE_ORDERS = ("iso", "day-first", "month-first")
GALLONS = ("imperial", "US")

# What a visit may measure, in the order pages show it, and the unit everything is kept in.
PARAMETERS = tuple(BY_NAME)
CANON = {name: record.unit for name, record in BY_NAME.items()}
PARAMETER_TITLES = {name: record.title for name, record in BY_NAME.items()}

# -- what became of a cell or a row -----------------------------------------------------------------
OUTCOMES = ("accepted", "converted", "warned", "held")  # of a cell
ROW_OUTCOMES = ("accepted", "converted", "warned", "part_held", "held", "repeats")  # of a row: its worst cell

# Why a nitrate reading stays out of the trend, though it is kept and shown.
DOUBTS = ("basis", "nitrite", "taken")
# What may be wrong with a reading, in table `doubt`: each with what it would be if so.
SUSPICIONS = (
    "basis",  # nitrate given as nitrogen, or the other way round
    "nitrite",  # nitrite at the same visit upsets the test
    "taken",  # before or after that day's change is not known
    "after",  # fits a sample taken after that day's change
    "unlogged change",  # a fall that only a change which is not in the log explains
    "not shaken",
    "wrong tank",
    "slip",  # ten times too much or too little
    "leap",  # over twice the last reading
    "off steps",  # no step of its kit
)

# -- the review ------------------------------------------------------------------------------------
CLASSES = ("act today", "this week", "can't say", "plan", "due", "steady")  # in ranking order
LOAD_STATES = ("comfortable", "within", "borderline", "over", "half cycle only", "can't say")
RATE_STATES = ("ok", "rough", "at least", "below chart", "too few")
CAUSES = (
    "overfeeding", "new fish", "too much stock", "too little media", "media not ripe", "media clogged", "flow lost",
    "bypass", "rinsed in tap water", "over-cleaned", "medication", "filter stopped", "dead fish", "heater", "tap nitrate",
    "tap ammonia", "too few changes", "unlogged change", "top-ups only", "wrong basis", "kit expired", "kit batch",
    "not shaken", "nitrite interference", "taken after the change", "wrong tank", "typing slip", "plants or algae",
    "limestone", "tank still new",
)  # fmt: skip

# Cautions by what they are about; {stopped_hours} is filled from the assumption (`wording.cautions`).
CAUTIONS = tomllib.loads(Path(__file__).with_name("cautions.toml").read_text(encoding="utf-8"))
# At the foot of every page.
CAUTION_LINE = f"Power off at the wall before hands go in. {CAUTIONS['advice']}"
