"""The answer to “will this filter do?” as a letter on paper, with both answers side by side where there are several."""

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.papers.layout import pdf
from pipeline.week import Week
from pipeline.wording import WORK, cautions, full_day, number, with_unit

Answer = Mapping[str, Any]


def paragraphs(text: str) -> list[str]:
    """A letter's paragraphs: parted by empty lines, the line breaks within them taken out."""
    parts = [" ".join(part.split()) for part in text.replace("\r\n", "\n").split("\n\n")]
    return [part for part in parts if part]


def _cycle(answer: Mapping[str, Any] | None) -> str:
    """`yes, rates 280 L, limit flow`; unknown is stated."""
    if not answer:
        return "not known"
    ok = answer.get("ok")
    parts = ["can't say" if ok is None else "yes" if ok else "no"]
    if answer.get("rates_l") is not None:
        parts.append(f"rates {with_unit(number(answer['rates_l']), 'L')}")
    if answer.get("limit"):
        parts.append(f"limit {answer['limit']}")
    if answer.get("short_kg"):
        parts.append(f"short {with_unit(number(answer['short_kg']), 'kg')}")
    return ", ".join(parts)


def reply_data(week: Week, answers: Sequence[Answer]) -> dict[str, Any]:
    """What the letter says, as JSON has it."""
    from pipeline.advise.fit import letter

    compared = [
        {"model": str(a.get("model", "this filter")), "half": _cycle(a.get("half")), "full": _cycle(a.get("full"))}
        for a in answers
    ]
    return {
        "title": "Will it do? A reply",
        "day": full_day(week.as_of),
        "letters": [paragraphs(letter(dict(answer))) for answer in answers],
        "signature": week.round.signature,
        "compared": compared if len(answers) > 1 else [],
        "caution": " ".join(cautions(week.assumed, *WORK)),
    }


def reply_pdf(week: Week, answers: Sequence[Answer]) -> bytes:
    """The PDF of the letter: one page for one answer."""
    return pdf("reply.typ", reply_data(week, answers), week.as_of)
