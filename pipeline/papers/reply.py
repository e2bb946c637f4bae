"""The answer to “will this filter do?” as a letter on paper, with both answers side by side where there are several."""

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.papers.layout import pdf
from pipeline.week import Week
from pipeline.wording import WORK, cautions, full_day, kilograms, litres

Answer = Mapping[str, Any]


def paragraphs(text: str) -> list[str]:
    """A letter's paragraphs: parted by empty lines, the line breaks within them taken out."""
    parts = [" ".join(part.split()) for part in text.replace("\r\n", "\n").split("\n\n")]
    return [part for part in parts if part]


def _cycle(answer: Mapping[str, Any] | None) -> str:
    """`yes, rates 280 L, limit flow`; unknown is stated."""
    if not answer:
        return "not known"
    ok, rates, limit, short = (answer.get(name) for name in ("ok", "rates_l", "limit", "short_kg"))
    parts = (
        "can't say" if ok is None else "yes" if ok else "no",
        "" if rates is None else f"rates {litres(rates)}",
        limit and f"limit {limit}",
        short and f"short {kilograms(short)}",
    )
    return ", ".join(part for part in parts if part)


def reply_data(week: Week, answers: Sequence[Answer]) -> dict[str, Any]:
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
    return pdf("reply.typ", reply_data(week, answers), week.as_of)
