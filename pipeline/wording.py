"""How numbers, ranges, dates and ages are said, everywhere alike: pages, papers and the terminal."""

import datetime as dt
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextvars import ContextVar
from functools import partial
from itertools import groupby

from schemas.words import CAUTIONS

NBSP = "\u00a0"
CYCLES = (
    "Ratings are for the full cycle (nitrate removed too, by denitrifying); the half cycle (nitrifying) removes ammonia and"
    " nitrite only. The kilogram of media per 100 L behind them is a common rule of thumb, disputed."
)


def _trimmed(text: str) -> str:
    """A number without trailing noughts, with a true minus."""
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text.replace("-", "−")


def number(value: float | None, digits: int = 3) -> str:
    """A number to `digits` significant figures without an exponent; `not known` for none."""
    if value is None or not math.isfinite(value):
        return "not known"
    places = 0 if value == 0 else max(0, digits - 1 - math.floor(math.log10(abs(value))))
    return _trimmed(f"{value:.{places}f}")


def fixed(value: float | None, places: int) -> str:
    """A number with a fixed count of decimals, half rounded up; `not known` for none."""
    if value is None or not math.isfinite(value):
        return "not known"
    scaled = value * 10.0**places
    if abs(scaled) < 1e15:  # above that no half is left to round
        value = math.floor(round(scaled, 9) + 0.5) / 10.0**places
    text = f"{value:.{places}f}"
    return (text.lstrip("-") if float(text) == 0 else text).replace("-", "−")


def _outward(value: float, step: float, *, up: bool) -> float:
    """The end of a range on its steps: the low end down, the high end up. A hair of binary fractions is no step."""
    return (math.ceil if up else math.floor)(round(value / step, 9)) * step


def _of_digits(value: float, digits: int, *, up: bool) -> float:
    """The end of a range at so many significant figures."""
    if value == 0 or not math.isfinite(value):
        return value
    return _outward(value, 10.0 ** (math.floor(math.log10(abs(value))) - digits + 1), up=up)


def interval(low: float | None, high: float | None, digits: int = 2) -> str:
    """A range as 38–58; open above `over 83`, from nothing `under 3`, both ends alike one number."""
    if low is None and high is None:
        return "not known"
    if high is None or not math.isfinite(high):
        return f"over {number(low, digits)}"
    if low is None:
        return f"under {number(high, digits)}"
    if low == high:
        return number(low, digits)
    a = number(_of_digits(low, digits, up=False), digits + 1)
    b = number(_of_digits(high, digits, up=True), digits + 1)
    return a if a == b else f"{a}{' to ' if low < 0 else '–'}{b}"


# -- what the review says: here an unknown is refused, so that its sentence has to do without --


class NotKnown(ValueError):
    """Something that is not known was about to be said."""


def _known(value: float | None) -> float:
    if value is None or not math.isfinite(value):
        raise NotKnown("a sentence was made with a value that is not known; expected a number, or another sentence")
    return value


def amount(value: float | None, places: int = 1) -> str:
    """A number with at most so many decimals, half rounded up; refuses what is not known."""
    return _trimmed(fixed(_known(value), places))


def span(low: float | None, high: float | None, places: int = 1) -> str:
    """A range, low end rounded down and high end up: `4.2–10.5`, `−4.5 to 7.3`, open above `over 83`."""
    step = 10.0**-places
    if high is None:
        return f"over {amount(_outward(_known(low), step, up=False), places)}"
    a = amount(_outward(_known(low), step, up=False), places)
    b = amount(_outward(_known(high), step, up=True), places)
    return a if a == b else f"{a}{' to ' if _known(low) < 0 else '–'}{b}"


# Decimals and unit of each parameter, everywhere alike; nitrate is whole above 10 and in halves below.
PRECISION: dict[str, tuple[int, str]] = {
    "ammonia": (2, "mg/L"), "nitrite": (2, "mg/L"), "nitrate": (1, "mg/L"), "free_ammonia": (3, "mg/L"),
    "ph": (1, ""), "kh": (1, "dKH"), "gh": (1, "dGH"), "temperature": (1, "°C"), "phosphate": (2, "mg/L"),
    "oxygen": (1, "mg/L"), "flow_l_h": (0, "L/h"),
}  # fmt: skip
HALVES_TO = 10.0  # mg/L nitrate


def _step(parameter: str, value: float) -> float:
    if parameter == "nitrate":
        return 1.0 if abs(value) > HALVES_TO else 0.5
    return 10.0 ** -PRECISION[parameter][0]


def _decimals(parameter: str, value: float) -> str:
    """pH and temperature keep their decimal, 7.0; of the others a trailing nought goes."""
    places = PRECISION[parameter][0]
    return f"{value:.{places}f}" if parameter in ("ph", "temperature") else amount(value, places)


def reading(parameter: str, value: float | None, *, down: bool = False) -> str:
    """A value of a parameter with its unit: `0.35 mg/L`, `pH` bare; `down` never rounds up, for what is under a limit."""
    step = _step(parameter, _known(value))
    at = _outward(_known(value) + (0.0 if down else step / 2), step, up=False)
    return with_unit(_decimals(parameter, at), PRECISION[parameter][1])


def reading_range(parameter: str, low: float | None, high: float | None) -> str:
    """A reading with its unit: `38–58 mg/L`, `over 83 mg/L`, `0.35 mg/L` where both ends say the same."""
    unit = PRECISION[parameter][1]
    a = _decimals(parameter, _outward(_known(low), _step(parameter, _known(low)), up=False))
    if high is None:
        return with_unit(f"over {a}", unit)
    b = _decimals(parameter, _outward(_known(high), _step(parameter, _known(high)), up=True))
    return with_unit(a if a == b else f"{a}–{b}", unit)


def rise_text(state: str | None, rate: float | None, low: float | None, high: float | None) -> str:
    """Net rise a week from that of a day with its 90 % range: `rises 7.4 mg/L a week (4.2–10.5)`, `no clear trend`."""
    unit = f"{NBSP}mg/L a week"
    if state == "below chart" and high is not None:
        return f"rises under {amount(_outward(7 * high, 0.1, up=True))}{unit}"
    if state == "at least" and low is not None and low > 0:
        return f"rises at least {amount(_outward(7 * low, 0.1, up=False))}{unit}"
    if state not in ("ok", "rough") or rate is None or low is None or high is None:
        return "no trend known yet" if state in (None, "too few") else "no clear trend"
    if low <= 0 <= high:
        return "no clear trend"
    rough = "roughly " if state == "rough" else ""
    if high < 0:
        return f"falls {rough}{amount(-7 * rate)}{unit} ({span(-7 * high, -7 * low)})"
    return f"rises {rough}{amount(7 * rate)}{unit} ({span(7 * low, 7 * high)})"


def levels_off(plateau: float | None, low: float | None, high: float | None) -> str:
    """`levels off near 52 mg/L (36–69)`."""
    step = _step("nitrate", _known(plateau))
    at = _outward(_known(plateau) + step / 2, step, up=False)
    ends = f" ({reading_range('nitrate', low, high).removesuffix(f'{NBSP}mg/L')})" if low is not None else ""
    return f"levels off near {amount(at)}{NBSP}mg/L{ends}"


def change_text(share: float | None, net_l: float | None) -> str:
    """`25 % (49 L)`, or the share alone where the net volume is not known."""
    part = with_unit(amount(100 * _known(share), 0), "%")
    return part if net_l is None else f"{part} ({with_unit(amount(_known(share) * net_l, 0), 'L')})"


def pct(value: float | None) -> str:
    """A bioload: `140 %`; just over 100 keeps its decimal, so that over never reads as 100."""
    near = 100 < _known(value) < 101
    return with_unit(amount(value, 1 if near else 0), "%")


def about_weeks(weeks: float | None) -> str:
    """So many weeks from now: `a week`, `5 weeks`."""
    return "a week" if _known(weeks) < 1.5 else f"{amount(weeks, 0)}{NBSP}weeks"


def aged(days: float | None) -> str:
    """An age of so many days: today, yesterday, 6 days ago, 14 weeks ago."""
    age = int(_known(days))
    return f"{spell(age)} ago" if age > 1 else "yesterday" if age == 1 else "today"


def spell(length: int) -> str:
    """A time of so many days: `6 days`, `6 weeks`."""
    return days(length) if length < 28 else f"{length // 7}{NBSP}weeks"


def cut(text: str, most: int) -> str:
    """Text that fits; what is cut off is marked. In full it stands elsewhere."""
    return text if len(text) <= most else text[: most - 1].rstrip(" ,;:") + "…"


def overdue(late_days: int) -> str:
    """`due today`, `overdue by 46 days`, `due in 3 days`."""
    return (
        f"overdue by {days(late_days)}" if late_days > 0 else f"due in {days(-late_days)}" if late_days else "due today"
    )


def due_text(what: str, about: str, on: dt.date, late_days: int) -> str:
    """A job with a date: `service of filter B18 overdue by 46 days`, `promised for 26 May: bring a lid lock`."""
    if what == "promise":
        return f"promised for {day_month(on)}: {about}"
    if what == "kit" and late_days > 0:
        return f"kit {about} expired {days(late_days)} ago"
    if what == "kit":
        return f"kit {about} expires {f'in {days(-late_days)}' if late_days else 'today'}"
    if what == "tests left":
        return f"kit {about} is nearly used up"
    names = {"check": "service of filter {}", "carbon": "carbon in {}", "flow test": "flow test of filter {}",
             "tap test": "test of the tap {}", "cross-check": "cross-check of kit {}"}  # fmt: skip
    return f"{names.get(what, what + ' of {}').format(about)} {overdue(late_days)}"


def with_unit(text: str, unit: str) -> str:
    """A number and its unit, held together by a no-break space."""
    return f"{text}{NBSP}{unit}" if unit else text


def per_cent(value: float | None, places: int = 0) -> str:
    """A per cent, given in per cent."""
    return with_unit(fixed(value, places), "%") if value is not None else "not known"


def day(date: dt.date, *, year: bool = False, weekday: bool = True) -> str:
    """A date as `Tue 2 June` (with the year where asked)."""
    text = f"{date.day} {date:%B}"
    text = f"{date:%a} {text}" if weekday else text
    return f"{text} {date.year}" if year else text


def ago(date: dt.date, as_of: dt.date) -> str:
    """An age in words: today, yesterday, 6 days ago, 14 weeks ago."""
    age = (as_of - date).days
    return f"in {days(-age)}" if age < 0 else aged(age)


def listed(words: Iterable[str], last: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`."""
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def first_few(items: Sequence[str], most: int, more: Callable[[int], str]) -> list[str]:
    """The first of some texts; those beyond `most` are counted in one text of their own."""
    return [*items[:most], more(len(items) - most)] if len(items) > most else list(items)


def counted(count: int, one: str, many: str | None = None) -> str:
    """A count with its noun: `1 tank`, `24 tanks`."""
    return f"{count}{NBSP}{one if count == 1 else many or one + 's'}"


days = partial(counted, one="day")


# -- papers and advice --

COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
MOST_NAME = 60  # characters of a name in a title
MANY_DATES = 6  # more visits than this are counted, not listed


def count_word(count: int) -> str:
    return COUNTS[count] if 0 <= count < len(COUNTS) else str(count)


def counted_word(count: int, one: str, many: str | None = None) -> str:
    """`one visit`, `four visits`, `14 visits`."""
    return f"{count_word(count)} {one if count == 1 else many or one + 's'}"


def sentence(text: str) -> str:
    """The text with a capital first letter."""
    return text[:1].upper() + text[1:]


def full_day(date: dt.date) -> str:
    """`Wednesday 3 June 2026`."""
    return f"{date:%A} {date.day} {date:%B} {date.year}"


day_month = partial(day, weekday=False)  # `3 June`


def dates(days: Sequence[dt.date], *, year: bool = True) -> str:
    """`6, 13 and 20 May 2026`; `27 May and 3 June 2026`; the year once where it is the same."""
    parts: list[str] = []
    one_year = len({day.year for day in days}) == 1
    for (a_year, _), group in groupby(days, key=lambda day: (day.year, day.month)):
        month = list(group)
        numbers = [str(day.day) for day in month]
        tail = f" {month[0]:%B}" + ("" if one_year else f" {a_year}")
        parts += [*numbers[:-1], numbers[-1] + tail]
    return listed(parts) + (f" {days[0].year}" if one_year and year and days else "")


def on_dates(days: Sequence[dt.date]) -> str:
    """`on 6 and 13 May`; many days are counted: `on 26 days from 3 December 2025 to 27 May 2026`."""
    if len(days) <= MANY_DATES:
        return f"on {dates(days, year=False)}"
    return f"on {len(days)} days from {dates([days[0]])} to {dates([days[-1]])}"


def short(name: str, most: int = MOST_NAME) -> str:
    """A name as a title holds it: on one line, cut with an ellipsis."""
    flat = " ".join(name.split())
    return flat if len(flat) <= most else flat[: most - 1].rstrip() + "…"


def tank_title(tank_id: str, name: str | None) -> str:
    """`Dining room tank`; a tank without a name goes by its id."""
    if not name:
        return f"Tank {short(tank_id)}"
    name = short(name)
    return name if any(word in name.lower() for word in ("tank", "aquarium", "pond")) else f"{name} tank"


def job_text(says: str, do: str) -> str:
    """A job that is due as sentences: what is due, then what to do."""
    first = sentence(says.strip())
    return f"{first}{'' if first.endswith(('.', '!', '?')) else '.'} {do}"


WORK = ("power", "stopped", "lifting", "hygiene", "water", "advice")  # cautions where a plan or a letter tells of work


def cautions(assumed: Mapping[str, float], *names: str) -> list[str]:
    """Cautions by name, all where none is named; the hours of a stop are those of the assumption."""
    return [CAUTIONS[name].format(stopped_hours=assumed["stopped_hours"]) for name in names or CAUTIONS]


def cause_text(cause: str) -> str:
    """A possible cause as it is read: its name in the records, in the words of today."""
    return cause.replace("ripe", "mature")


STOCKED = {"light": "lightly stocked", "normal": "normally stocked", "heavy": "heavily stocked",
           "messy": "stocked with goldfish or other large messy fish"}  # fmt: skip


def _quantity(value: float | None, unit: str) -> str:
    """A quantity; what is not known has no unit."""
    return number(value) if value is None else with_unit(number(value), unit)


litres, kilograms, flow = (partial(_quantity, unit=unit) for unit in ("L", "kg", "L/h"))


_CURRENCY: ContextVar[str] = ContextVar("currency", default="")


def in_currency(sign: str) -> None:
    """From here on prices are written in this currency, as round.toml has it; it is set where a week is opened."""
    _CURRENCY.set(sign)


def priced(amount: str) -> str:
    """A sum with its currency: €12, or EUR 12."""
    sign = _CURRENCY.get()
    return f"{sign}{NBSP if sign[-1:].isalpha() else ''}{amount}"


def money(value: float | None) -> str:
    """A price as in the price list: free, a sum, or not known."""
    if value is None:
        return "cost not known"
    return "free" if value == 0 else priced(f"{value:.2f}".removesuffix(".00"))
