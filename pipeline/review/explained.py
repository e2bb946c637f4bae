"""What doubted readings and refitted balances say of a cause: how much it gains, and what it would make of the readings."""

from typing import NamedTuple

from pipeline.review.facts import Row, TankFacts
from pipeline.wording import aged, amount, counted, day_month, pct, reading, with_unit


class Gained(NamedTuple):
    """Why a cause is possible, and how much it gains [log units]."""

    because: str
    gain: float


# What a doubt of a reading points to.
OF_DOUBT = {
    "basis": "wrong basis",
    "nitrite": "nitrite interference",
    "taken": "taken after the change",
    "after": "taken after the change",
    "unlogged change": "unlogged change",
    "not shaken": "not shaken",
    "wrong tank": "wrong tank",
    "slip": "typing slip",
    "leap": "typing slip",
}
# A rise or a fall of the source that began on a day: what may be behind it.
RISES = (
    "overfeeding", "new fish", "dead fish", "media clogged", "flow lost", "bypass", "rinsed in tap water", "over-cleaned",
    "medication", "filter stopped", "heater", "media not ripe",
)  # fmt: skip


def explains(cause: str) -> str:
    """The explanation that carries a cause: a rise or a fall of the source, or its own."""
    return "fall" if cause == "plants or algae" else "rise" if cause in RISES else cause


def doubted(f: TankFacts) -> list[Row]:
    """Readings of the last weeks that may be wrong, oldest first; that one is off its kit's steps is no doubt alone."""
    return [row for row in f.lately("doubt", f.assumed["recent_cause_days"]) if row["doubt"] in OF_DOUBT]


def _value(row: Row) -> str:
    return f"{reading(row['parameter'], row['matched'])} on {day_month(row['day'])}"


def doubt_words(row: Row) -> str:
    """What a reading would be if its doubt is right."""
    here, would, size = _value(row), row["would_be"], row["size"]
    be = "" if would is None else reading(row["parameter"], would)
    match row["doubt"]:
        case "basis":
            return f"{here} fits nitrate given as nitrogen" + (f": it would be {be}" if be else "")
        case "nitrite":
            beside = "" if size is None else f" ({reading('nitrite', size)})"
            return f"nitrite showed at the same visit{beside}, {aged(row['ago'])}"
        case "taken":
            return f"water was changed on {day_month(row['day'])} and the sheet does not say when the sample was taken"
        case "after":
            share = "" if size is None else f" of {pct(100 * size)}"
            return f"{here} fits a sample drawn after that day's change{share}" + (
                f"; before it about {be}" if be else ""
            )
        case "unlogged change":
            share = "" if size is None else f" of about {pct(100 * size)}"
            return f"{here} fits a change{share} that is not in the log" + (f"; without it about {be}" if be else "")
        case "not shaken":
            return f"{here}" + (
                f", where about {be} was to be expected" if be else " is half or less of what was expected"
            )
        case "wrong tank":
            return f"{here} fits tank {row['other'] or 'beside it'}, whose reading fits this one"
        case "slip":
            return f"{here} may be ten times too much or too little" + (f": {be}" if be else "")
    return f"{here} is over twice the last reading" + (f", {be}" if be else "")


def explanation_words(row: Row) -> str:
    """What an explanation would make of the readings."""
    since, size = day_month(row["since"]), row["size"]
    was = "" if row["was"] is None else reading("nitrate", row["was"])
    would = "" if row["would_be"] is None else reading("nitrate", row["would_be"])
    share = with_unit(amount(7 * abs(size or 0.0)), "mg/L a week")
    match row["cause"]:
        case "unlogged change":
            return f"a change of about {pct(100 * (size or 0.0))} before {since} that is not in the log would fit the readings"
        case "taken after the change":
            return f"{was} on {since} fits a sample drawn after that day's change; before it about {would}"
        case "typing slip":
            return f"{was} on {since} would be {would}, as the others lead to expect"
        case "wrong basis" if would:
            return f"{was} on {since} fits nitrate given as nitrogen: it would be {would}"
        case "wrong basis":
            return f"readings since {since} fit nitrate given as nitrogen: {amount(size or 0.0, 2)} times the expected"
        case "not shaken" if would:
            return f"{was} on {since}, where about {would} was to be expected"
        case "not shaken":
            return f"readings since {since} are about {amount(size or 0.0, 2)} times what the balance leads to expect"
        case "wrong tank":
            return f"{was} on {since} fits tank {row['other'] or 'beside it'}, whose {would} fits this one"
        case "kit batch":
            others = counted(row["tanks"], "tank")
            return f"readings of kit {row['kit'] or 'in use'} in {others} since {since} fit {amount(size or 0.0, 2)} times the true value"
        case "tap nitrate":
            more = with_unit(amount(abs(size or 0.0), 0), "mg/L")
            return f"a tap with {more} more nitrate from {since} on would fit the readings"
        case "tap ammonia":
            tested = amount(size or 0.0, 0)
            return f"ammonia showed in {row['tanks']} of {tested} other tanks of the same supply since {since}"
        case "fall":
            return f"{share} less since about {since} would fit the readings, with nothing recorded that lowers it"
    return f"nitrate has risen faster by {share} since about {since}"


def left_over(f: TankFacts, rise: Row) -> list[tuple[str, str]]:
    """What is left for a rise that no record explains: food that was not recorded; then what a good flow does not show."""
    faster = with_unit(amount(7 * (rise["size"] or 0.0)), "mg/L a week")
    nothing = f"nothing recorded explains why nitrate rises faster by {faster} since about {day_month(rise['since'])}"
    left = [("overfeeding", f"{nothing}: food that was not recorded is left over")]
    if f.flow_basis == "timed" and f.flow_of_clean is not None and f.flow_of_clean >= f.assumed["flow_lost_share"]:
        left.append(("bypass", f"{nothing}, and the flow is good: water may pass the media by"))
    return left


def explanations(f: TankFacts) -> dict[str, Row]:
    """The explanations of the tank's readings, by cause."""
    return {row["cause"]: row for row in f.records("explanation")}


def recent(f: TankFacts, row: Row) -> bool:
    """Whether an explanation begins lately enough to be asked about."""
    return bool((f.as_of - row["since"]).days < f.assumed["fell_days"])


def gained(f: TankFacts) -> dict[str, Gained]:
    """Causes that doubted readings or refitted balances speak for."""
    told: dict[str, Gained] = {}
    for row in doubted(f):
        gain = f.assumed["says_state" if row["doubt"] == "leap" else "says_reading"]
        told[OF_DOUBT[row["doubt"]]] = Gained(doubt_words(row), gain)
    most = f.assumed["says_most"]
    for cause, row in explanations(f).items():
        if cause == "fall":
            told["plants or algae"] = Gained(explanation_words(row), min(row["gain"], most))
        elif cause not in ("rise", "reader") and (cause != "unlogged change" or recent(f, row)):
            before = told.get(cause)
            if before is None or row["gain"] > before.gain:
                told[cause] = Gained(explanation_words(row), min(row["gain"], most))
    return told
