"""Will this filter do for so many litres? By the trade's rule of thumb: both cycles, what limits each, what would make
it yes, what was assumed, and no promise."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import product
from typing import Any

from pipeline.advise import book
from pipeline.advise.book import Layout, Model, Prices, Rating
from pipeline.assumptions import Assumptions
from pipeline.calc.factors import load_by_class
from pipeline.console import printed
from pipeline.problems import Problem
from pipeline.sentences import filled
from pipeline.sentences import table as sentences
from pipeline.week import Week
from pipeline.wording import STOCKED, WORK, cautions, flow, kilograms, listed, litres

Answer = Mapping[str, Any]
TRICKLE = "trickle"
HEAVIER = {"light": "normal", "normal": "heavy", "heavy": "messy"}


def _ok(rates: float | None, wanted: float) -> bool | None:
    """Whether a rating covers what is wanted; a millilitre of rounding in gross × share is no lack."""
    return None if rates is None else rates >= wanted * (1 - 1e-6)


def _rounded(value: float | None, places: int = 1) -> float | None:
    return None if value is None else round(value, places)


def _full(layout: Layout, rating: Rating, net: float, need_kg: float, share: float) -> dict[str, Any]:
    """The full cycle of a layout; `share` is what its place leaves of the work, of which the bare rule knows nothing."""
    kg = rating.full_kg
    ok = _ok(rating.full_l, net) and _ok((rating.full_l or 0.0) * share, net)
    short = None if kg is None else max(need_kg - kg, 0.0)
    return {
        "ok": ok, "rates_l": _rounded(rating.full_l), "limit": rating.full_limit or None, "short_kg": _rounded(short, 2),
        "media_kg": _rounded(kg, 3), "need_kg": round(need_kg, 3), "layout": layout.says,
    }  # fmt: skip


def _proposals(
    ways: Sequence[Layout], l_h: float | None, wanted_l_h: float, word: str, loads: Mapping[str, float]
) -> Iterator[tuple[int, str, Layout, float | None, float]]:
    """What might make it a yes: more flow, another layout, lighter stocking; two of them, and all.

    Each is (how many ways at once, what to do in words, layout, flow, load)."""
    flows = [("", l_h)]
    if l_h is None or l_h < wanted_l_h:
        flows.append((f"a timed flow of {flow(wanted_l_h)}", wanted_l_h))
    lighter = [name for name, heavier in HEAVIER.items() if heavier == word]
    stockings = [("", loads[word]), *((f"fewer fish or less food, {STOCKED[name]}", loads[name]) for name in lighter)]
    for (timed, flow_l_h), (stocked, load), layout in product(flows, stockings, ways):
        filled = "" if layout is ways[0] else layout.says
        parts = [part for part in (", ".join(part for part in (filled, stocked) if part), timed) if part]
        if parts:
            yield bool(filled) + bool(stocked) + bool(timed), " and ".join(parts), layout, flow_l_h, load


def _yes(
    model: Model, ways: Sequence[Layout], half: Answer, full: Answer, net: float, basis: str, l_h: float | None,
    word: str, assumed: Assumptions,
) -> list[str]:  # fmt: skip
    """What would make it yes, the smallest thing first; every way is rated anew before it is offered."""
    loads, need = load_by_class(assumed), net / assumed["litres_per_kg"]
    phrases: list[str] = []
    if half["ok"] is False and half["limit"] == "flow":
        has = flow(half["flow_l_h"])
        now = f"{has} is only estimated: time it with a bucket" if basis == "estimated" else f"it has {has}"
        phrases.append(f"half cycle: a timed flow of {flow(half['needs_l_h'])} ({now})")
    elif half["ok"] is False:
        phrases.append(f"half cycle: {kilograms(need * assumed['half_media_share'])} of any biological media")
    if full["ok"] is not False:
        return phrases
    if model.half_cycle_kind:
        return [*phrases, "full cycle: another kind of filter; an internal or sponge filter does the half cycle only"]
    if model.kind == TRICKLE:
        way = "full cycle: media under water behind a fine stage; in so much air it does little of this work"
        return [*phrases, way]
    enough: dict[int, list[str]] = {}
    for at_once, says, layout, flow_l_h, load in _proposals(ways, l_h, half["needs_l_h"], word, loads):
        rating = book.rate(layout, flow_l_h, assumed, load, model.kind or "")
        if _ok(rating.full_l, net) and _ok(rating.half_l, net) is not False:
            way = f"full cycle: {says}: {kilograms(rating.full_kg)}, needs {kilograms(need * load)}"
            enough.setdefault(at_once, []).append(way)
    if enough:
        return phrases + enough[min(enough)]
    most = max(layout.full_kg(assumed) for layout in ways)
    short = need * loads[word] - most
    if short > 0:
        most_held = f"more media than it holds at the most ({kilograms(most)}), in a second filter"
        phrases.append(f"full cycle: {kilograms(short)} {most_held}")
    return phrases


def _assumed(model: Model, net_from: str, stocking_given: bool, flow_basis: str, assumed: Assumptions) -> list[str]:
    """What the answer takes on trust, in words."""
    # The bare rule knows nothing of air; whoever reads a yes must.
    media = ["mature", "tower"] if model.kind == TRICKLE else ["media"]
    cases = ["" if stocking_given else "stocked", flow_basis, "book", *media, "rule"]
    says = sentences(__file__, "sentences.toml")["assumed"]
    shown = {"f": assumed, "source": model.source or "source not recorded"}
    shares = {name: 100 * assumed[name] for name in ("flow_of_rated", "place_trickle")}
    parts = [filled(says[case], **shown, **shares) for case in cases if case in says]
    return [net_from, *parts] if net_from else parts


def _net(net_l: float | None, gross_l: float | None, assumed: Assumptions) -> tuple[float, str]:
    """Net litres, and what was assumed to get them."""
    if net_l is not None and net_l > 0:
        return net_l, ""
    if gross_l is not None and gross_l > 0:
        net = gross_l * assumed["net_of_gross"]
        return net, f"net {litres(net)}, {100 * assumed['net_of_gross']:g} % of the {litres(gross_l)} gross"
    raise Problem("No volume was given; expected net litres (measured by filling) or gross litres, more than 0.")


def will_it_do(
    week: Week, model: str, net_l: float | None = None, gross_l: float | None = None, stocking: str | None = None,
    flow: float | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Both cycles of a model for a tank: what it is good for, what limits it, what would make it yes, what is assumed.

    The keys of `will-it-do --format json`, and beside them what the letter and the pages say. Litres, kg, L/h.
    Raises Problem for a model that is not in the book, or where no volume is given.
    """
    assumed, tables = week.assumed, week.tables
    found = book.model_named(tables, model, assumed)
    net, net_from = _net(net_l, gross_l, assumed)
    word = stocking or "normal"
    loads = load_by_class(assumed)
    if word not in loads:
        raise Problem(f"Stocking “{stocking}” is not known; expected {', '.join(loads)}.")
    kg, prices = net / assumed["litres_per_kg"], week.round.prices
    l_h, basis = found.flow(assumed, flow)
    ways = book.layouts(found, book.catalogue(tables), prices, assumed)
    ratings = [book.rate(way, l_h, assumed, loads[word], found.kind or "") for way in ways]
    share = assumed["place_trickle"] if found.kind == TRICKLE else 1.0
    fulls = [_full(way, rating, net, kg * loads[word], share) for way, rating in zip(ways, ratings, strict=True)]
    full, first, rated = fulls[0], ways[0], ratings[0]
    half = {
        "ok": _ok(rated.half_l, net), "rates_l": _rounded(rated.half_l), "limit": rated.half_limit or None,
        "needs_l_h": round(net * assumed["half_turnover_h"], 1), "flow_l_h": _rounded(l_h),
    }  # fmt: skip
    heavier: dict[str, Any] | None = None
    if word in HEAVIER:  # what the next heavier stocking would need, and whether the most that fits in covers it
        load = loads[HEAVIER[word]]
        most = max((one["media_kg"] for one in fulls if one["media_kg"] is not None), default=None)
        ok = None if most is None else most >= kg * load
        heavier = {"stocking": HEAVIER[word], "load": load, "need_kg": round(kg * load, 3), "ok": ok}
    return {
        "model": found.name,
        "net_l": round(net, 1),
        "gross_l": gross_l if net_from else None,
        "stocking": word,
        "half": half,
        "full": full,
        "layouts": [one | {"half_rates_l": _rounded(r.half_l)} for one, r in zip(fulls, ratings, strict=True)],
        "would_make_it_yes": _yes(found, ways, half, full, net, basis, l_h, word, assumed),
        "assumed": _assumed(found, net_from, stocking is not None, basis, assumed),
        "missing": list(first.missing),
        "flow_basis": basis,
        "months": [assumed["ripe_months_low"], assumed["ripe_months_high"]],
        "if_heavier": heavier,
        "order": book.model_audit(tables, found, assumed),
        **_cost(found, first, prices),
        "cautions": cautions(assumed, *WORK),
    }


def _cost(model: Model, layout: Layout, prices: Prices) -> dict[str, Any]:
    """Price of the filter and the media in it; not known where one price is missing, and which."""
    wanted = [(book.price(prices, model.name, "filters"), 1.0, model.name)]
    wanted += [(book.price(prices, c.medium.name, "media"), c.kg, c.medium.name) for c in layout.contents if c.kg]
    lacking = list(dict.fromkeys(name for each, _, name in wanted if each is None))
    if lacking or layout.missing:
        return {"cost": None, "cost_says": f"price of {listed(lacking or ['its media'])} not in round.toml"}
    known = sum(each * kg for each, kg, _ in wanted if each is not None)
    return {"cost": round(known, 2), "cost_says": "the filter and its media, by round.toml"}


def compare(
    week: Week, names: Sequence[str], net_l: float | None = None, gross_l: float | None = None,
    stocking: str | None = None,
) -> list[dict[str, Any]]:  # fmt: skip
    """Several models for one tank, those that do first, then the cheaper: answers with `slack_pct` beside them.

    slack_pct is the share of the full rating that the tank leaves free; null where there is no rating.
    """
    answers = [will_it_do(week, name, net_l=net_l, gross_l=gross_l, stocking=stocking) for name in names]
    for answer in answers:
        rates = answer["full"]["rates_l"]
        answer["slack_pct"] = round(100 * (1 - answer["net_l"] / rates), 1) if rates else None
    return sorted(
        answers,
        key=lambda a: (not a["full"]["ok"], not a["half"]["ok"], a["cost"] is None, a["cost"] or 0.0, a["model"]),
    )


def as_text(answer: Answer) -> str:
    return printed("will_it_do.txt", answer=answer)


def letter(answer: Answer) -> str:
    """A reply to send: both answers, the limits, what would make it yes, what was assumed, and no promise."""
    # Beside the book's own layout the first that says yes, else the one that holds most.
    known = [way for way in answer["layouts"][1:] if way["media_kg"] is not None]
    other = next((way for way in known if way["ok"]), max(known, key=lambda way: way["media_kg"], default=None))
    ways = {
        cycle: [way.removeprefix(f"{cycle}: ") for way in answer["would_make_it_yes"] if way.startswith(cycle)]
        for cycle in ("half cycle", "full cycle")
    }
    text = printed("letter.txt", answer=answer, other=other, ways=ways)
    return text.replace("instead of carbon in", "in place of carbon in")
