"""The answer to “will it do?” in words: sums for the terminal, and a letter to send. Both read the answer alone."""

import textwrap
from collections.abc import Mapping
from typing import Any

from pipeline.wording import NBSP, STOCKED, flow, interval, kilograms, listed, litres, money, number

Answer = Mapping[str, Any]
WIDTH = 96


def _yes_no(ok: bool | None) -> str:
    return "can't say" if ok is None else "yes" if ok else "no"


def _half_line(half: Answer) -> str:
    """`yes: good for 280 L, the limit is flow`."""
    if half["ok"] is None:
        return "can't say"
    limit = {"flow": "the limit is flow", "media": "the limit is media"}.get(
        half["limit"], "flow unknown, so by media only"
    )
    said = f"{_yes_no(half['ok'])}: good for {litres(half['rates_l'])}, {limit}"
    if half["ok"] is False and half["limit"] == "flow":
        said += f"; it needs {flow(half['needs_l_h'])}"
    return said


def _full_line(full: Answer, *, paper: bool = False) -> str:
    """`no: 2 kg, rates 200 L, short 0.5 kg`; a yes is one on paper where the layout is only thought of."""
    if full["ok"] is None:
        return "can't say"
    if full["ok"]:
        return f"yes{' on paper' if paper else ''}: {kilograms(full['media_kg'])}, needs {kilograms(full['need_kg'])}"
    said = f"no: {kilograms(full['media_kg'])}, rates {litres(full['rates_l'])}"
    if full["short_kg"]:
        return f"{said}, short {kilograms(full['short_kg'])}"
    return f"{said}: held back by the half cycle, for which the flow is too little"


def _best_other(answer: Answer) -> Answer | None:
    """The layout to tell of beside the book's own: the first that says yes, else the one that holds most."""
    others = answer["layouts"][1:]
    known = [way for way in others if way["media_kg"] is not None]
    yes = next((way for way in known if way["ok"]), None)
    return yes or max(known, key=lambda way: way["media_kg"], default=None)


def as_text(answer: Answer) -> str:
    """The sums of the answer, for a terminal."""
    lines = [f"{answer['model']} for {litres(answer['net_l'])} net, {STOCKED[answer['stocking']]}"]
    lines.append(f"  half cycle  {_half_line(answer['half'])} (ammonia and nitrite only)")
    lines.append(f"  full cycle  {_full_line(answer['full'])} ({answer['full']['layout']}; nitrate removed too)")
    lines += [f"              {_full_line(way, paper=True)} ({way['layout']})" for way in answer["layouts"][1:]]
    if answer["missing"]:
        lines.append(f"  the book lacks {listed(answer['missing'])}")
    for title, said in (("would make it yes", answer["would_make_it_yes"]), ("assumed", answer["assumed"])):
        lines += [f"  {title}:", *(f"    {line}" for line in said)] if said else []
    if answer["order"]:
        lines += ["  laid out wrongly in the book:", *(f"    {row['says']} {row['do']}" for row in answer["order"])]
    months = interval(*answer["months"])
    lines.append(f"  new media: {months} months before nitrate shows it (common practice, disputed).")
    lines.append(f"  cost: {answer['cost_says'] if answer['cost'] is None else money(answer['cost'])}")
    lines += ["", *textwrap.wrap(" ".join(answer["cautions"]), WIDTH)]
    return "\n".join(lines).replace(NBSP, " ")


def letter(answer: Answer) -> str:
    """A reply to send: both answers, the limits, what would make it yes, what was assumed, and no promise."""
    net = f"{litres(answer['net_l'])}"
    if answer["gross_l"] is not None:
        share = round(100 * answer["net_l"] / answer["gross_l"])
        net += f" (net; I assumed {share} % of {litres(answer['gross_l'])})"
    else:
        net += " (net)"
    parts = [f"For your {net}, {STOCKED[answer['stocking']]}, with the {answer['model']}:"]
    if answer["missing"]:
        parts.append(f"I can't say yet. I still need {listed(answer['missing'])}.")
    parts.append(f"Half cycle (ammonia and nitrite only: nitrifying): {_half_line(answer['half'])}.")
    full = answer["full"]
    said = f"Full cycle (nitrate removed too: denitrifying), {full['layout']}: {_full_line(full)}."
    other = _best_other(answer)
    if other is not None and not full["ok"]:
        said += f" {other['layout'][:1].upper()}{other['layout'][1:]} instead: {_full_line(other, paper=True)}."
    parts.append(said)
    for cycle in ("half cycle", "full cycle"):
        ways = [way.removeprefix(f"{cycle}: ") for way in answer["would_make_it_yes"] if way.startswith(cycle)]
        if ways:
            parts.append(f"What would make the {cycle} a yes: {'; or '.join(ways)}.")
    later = f"Expect {interval(*answer['months'])} months before nitrate shows it (common practice, disputed); keep changing water."
    heavier = answer["if_heavier"]
    if heavier is not None and heavier["ok"] is not None:
        word = "yes, if all of it is filled" if heavier["ok"] else "no"
        later += (
            f" If {STOCKED[heavier['stocking']]} (×{number(heavier['load'])}) it needs"
            f" {kilograms(heavier['need_kg'])}: {word}."
        )
    parts.append(later)
    parts.append(
        "I have taken on trust: " + "; ".join(answer["assumed"]) + ". This is a rule of thumb for planning and no"
        " promise: your own nitrate readings decide."
    )
    parts.append(" ".join(answer["cautions"]))
    return "\n\n".join(parts).replace("instead of carbon in", "in place of carbon in")
