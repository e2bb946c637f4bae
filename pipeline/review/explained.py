"""What doubted readings and refitted balances say of a cause: how much it gains, and what it would make of the readings."""

from collections.abc import Mapping
from typing import NamedTuple

from pipeline.review.facts import Row, TankFacts
from pipeline.sentences import filled, table
from pipeline.wording import amount, counted, day_month, reading, with_unit


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


def _words(said: Mapping[str, str], row: Row, **shown: object) -> str:
    """A case of explained.toml filled from a row: with what it would be, where that is known."""
    template = said["known"] if row["would_be"] is not None else said.get("unknown", said["known"])
    return filled(template, row=row, other=row["other"] or "beside it", **shown)


def doubt_words(row: Row) -> str:
    """What a reading would be if its doubt is right."""
    said, would, size = table(__file__, "explained.toml")["doubt"][row["doubt"]], row["would_be"], row["size"]
    read = f"{reading(row['parameter'], row['matched'])} on {day_month(row['day'])}"
    be = "" if would is None else reading(row["parameter"], would)
    sized = "" if size is None else filled(said.get("size", ""), size=size, share=100 * size)
    return _words(said, row, read=read, be=be, size=sized)


def explanation_words(row: Row) -> str:
    """What an explanation would make of the readings."""
    cases, size = table(__file__, "explained.toml")["explanation"], row["size"] or 0.0
    was, would = ("" if row[c] is None else reading("nitrate", row[c]) for c in ("was", "would_be"))
    more, weekly = with_unit(amount(abs(size), 0), "mg/L"), with_unit(amount(7 * abs(size)), "mg/L a week")
    shown = {"was": was, "would": would, "since": day_month(row["since"]), "size": size, "share": 100 * size}
    shown |= {"more": more, "weekly": weekly, "kit": row["kit"] or "in use", "tanks": counted(row["tanks"], "tank")}
    return _words(cases.get(row["cause"], cases["rise"]), row, **shown)


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
