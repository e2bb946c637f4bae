"""The filter as the water meets it, and the capacity sum line by line, as HTML of one tank."""

from collections.abc import Sequence
from html import escape
from typing import Any

from pipeline.advise.filter_entry import Band, Entry
from pipeline.assumptions import Assumptions
from pipeline.week import Week
from pipeline.wording import NBSP, ago, counted, day, fixed, number, per_cent, sentence, with_unit

Row = dict[str, Any]
DAYS_A_WEEK = 7
MM = 1.2  # pixels a millimetre of depth
LEAST, TWO_LINES = 23.0, 42.0  # pixels: the thinnest band, and the least that holds two lines of words


def _words(band: Band, gap: str) -> str:
    """What stands beside a band: number, stage, medium, mass; after `gap`, small: compartment, depth, age."""
    depth = "depth not recorded" if band.depth_mm is None else with_unit(fixed(band.depth_mm, 0), "mm")
    if band.medium is None:
        return f"<small>empty, {depth} of {escape(band.room)}</small>"
    needs_mass = band.stage in ("biological", "chemical")
    mass = "" if band.kg is None and not needs_mass else f", {_mass(band.kg)}"
    if band.foam_l is not None and band.kg is None:
        mass = f", {with_unit(number(band.foam_l), 'L')}"
    age = "" if band.age_weeks is None else f"; {weeks_said(band.age_weeks)} old"
    return (
        f'<span class="num">{band.number}</span><strong>{escape((band.stage or "stage not known").capitalize())}</strong>,'
        f' {escape(band.medium)}{mass}{gap}<small><span class="more">{escape(band.room)}, </span>{depth}{age}</small>'
    )


def _mass(kg: float | None) -> str:
    return "mass not recorded" if kg is None else with_unit(number(kg), "kg")


def weeks_said(weeks: float) -> str:
    """An age in weeks up to two years, then in years."""
    return counted(int(weeks), "week") if weeks < 104 else counted(int(weeks // 52), "year")


def _height(band: Band) -> float:
    return max(LEAST, MM * (band.depth_mm or 0.0))


def _stacked(entry: Entry, shape: str) -> str:
    """The bands one above the other; the list keeps the water's order, and a canister is only drawn upside down."""
    items, above = [], None
    for band in entry.bands:
        high = _height(band)
        # Words of a thin layer take one line, else they would stretch it out of true.
        one = band.empty or high < TWO_LINES
        text = _words(band, " " if one else "<br>")
        kind = " ".join(name for name, on in (("new", band.room != above), ("empty", band.empty)) if on)
        items.append(
            f'<li class="{kind}" style="min-height:{high:.0f}px"><div class="core {escape(band.stage or "")}"></div>'
            f'<div class="words{" one" if one else ""}">{text}</div></li>'
        )
        above = band.room
    lines = "shell chan turn out" if shape == "up" else "in off"
    drawn = "".join(f'<i class="{name}"></i>' for name in lines.split())
    return f'<div class="body">{drawn}<ol>{"".join(items)}</ol></div>'


def _in_a_row(entry: Entry) -> str:
    """A sump: bands side by side, their words as a list below."""
    bands, items, before = [], [], None
    for band in entry.bands:
        new = " new" if band.room != before else ""
        mark = "" if band.empty else f"<span>{band.number}</span>"
        bands.append(
            f'<div class="core {escape(band.stage or "")}{new}" style="flex:{band.depth_mm or 0:.0f} 0 0">{mark}</div>'
        )
        before = band.room
        text = _words(band, " ")
        items.append(f'<li class="{"empty" if band.empty else ""}"><div class="words">{text}</div></li>')
    return f'<i class="along"></i><div class="bands" aria-hidden="true">{"".join(bands)}</div><ol>{"".join(items)}</ol>'


def flow_said(entry: Entry) -> str:
    """`610 L/h, timed Tue 14 April (87 % of clean)`; how it is known stands with it."""
    if entry.flow_l_h is None:
        return "flow not known"
    said = with_unit(number(entry.flow_l_h), "L/h")
    if entry.flow_day is not None:
        share = "" if entry.flow_of_clean is None else f" ({per_cent(100 * entry.flow_of_clean)} of clean)"
        return f"{said}, timed {day(entry.flow_day)}{share}"
    if entry.flow_basis == "estimated":
        return f"{said}, estimated from the rated flow"
    return f"{said}, {'timed on filters of this model' if entry.is_model else 'timed when clean'}"


def _one_filter(entry: Entry) -> str:
    """The drawing of one filter, with the way of the water in words."""
    last = max((band.number or 0 for band in entry.bands), default=0)
    through = "layer 1" if last == 1 else f"1 to {last}"
    flow = escape(flow_said(entry))
    first = escape(entry.bands[0].room)
    if entry.kind == "sump":
        shape, ways = "row", f"<b>→</b> in at the left, out at the right: {flow}"
        course, body = f"Water passes {through} from left to right.", _in_a_row(entry)
    elif entry.kind == "canister":
        shape, ways = "up", f"<b>↓</b> in, and down the side<br><b>↑</b> out, {flow}"
        course, body = (
            f"Water goes down the side, turns under {first} and rises through {through}.",
            _stacked(entry, "up"),
        )
    else:
        falls = entry.kind in ("trickle", "hang-on")
        shape, ways = "down", f"<b>↓</b> in{' at the top' if falls else ''}<br><b>↓</b> out, {flow}"
        course, body = f"Water passes {through}, drawn from the top down.", _stacked(entry, "down")
    deep = f"Drawn to depth, {with_unit(fixed(entry.depth_mm, 0), 'mm')} in all. " if entry.depth_mm else ""
    return f'<div class="vessel {shape}"><p class="ways">{ways}</p>{body}</div><p class="small">{deep}{course}</p>'


def filter_html(entries: Sequence[Entry], headed: bool = True) -> str:
    """Filters as the water meets them: a canister from the bottom, a sump in a row, the others from the top down."""
    if not entries:
        return "<p>No filter is recorded on this tank. Write it into filters.csv, placements.csv and fills.csv.</p>"
    out = []
    for entry in entries:
        name = ", ".join(filter(None, (entry.name, entry.kind)))
        head = f"<p><strong>{escape(name)}</strong></p>" if headed else ""
        if entry.recorded:
            out.append(head + _one_filter(entry))
        else:
            out.append(
                f"{head}<p>Nothing is recorded of what lies in it, so it cannot be drawn. Look inside at the next service"
                " and write each layer into fills.csv.</p>"
            )
    return "".join(out)


def _line(label: str, value: str, basis: str, total: bool = False, hand: bool = False) -> str:
    mark = ' class="n hand"' if hand else ' class="n"'
    return f'<tr class="{"sum" if total else ""}"><td>{label}</td><td{mark}>{value}</td><td><small>{escape(basis)}</small></td></tr>'


def _kg(value: float | None) -> str:
    return "not known" if value is None else f"{fixed(value, 2)}{NBSP}kg"


def _l(value: float | None) -> str:
    return "not known" if value is None else f"{fixed(value, 0)}{NBSP}L"


def _pct(value: float | None) -> str:
    return "not known" if value is None else f"{fixed(value, 0)}{NBSP}%"


def plain_html(row: Row, assumed: Assumptions) -> str:
    """Plain rating: a common rule of thumb, disputed."""
    rule = assumed.assumption("litres_per_kg")
    over = bool(row["over_full_cycle"])
    return (
        '<table class="ledger">'
        + "".join(
            [
                _line("Media that counts, dry", _kg(row["media_kg"]), "porous biological, in the flow"),
                _line("× litres for each kilogram", _l(rule.value), rule.basis),
                _line("Plain rating", _l(row["plain_l"]), "", total=True),
                _line("Net volume", _l(row["net_l"]), row["net_basis"] or "measure it by filling"),
                _line(
                    "Bioload of the plain rating",
                    _pct(row["plain_load_pct"]),
                    row["plain_state"],
                    total=True,
                    hand=over,
                ),
            ]
        )
        + "</table>"
    )


def need_html(row: Row, assumed: Assumptions) -> str:
    """What the tank asks for, and its bioload of the working rating."""
    over = (row["working_load_pct"] or 0) > 100
    rule = assumed["litres_per_kg"]
    net = None if row["net_l"] is None else row["net_l"] / rule
    return (
        '<table class="ledger">'
        + "".join(
            [
                _line(f"Net volume ÷ {number(rule)}", _kg(net), "at normal stocking"),
                _line("× stocking", number(row["load"]), f"from {row['load_basis']}" if row["load_basis"] else ""),
                _line("× plants", number(row["plants"]), "house figure"),
                _line("Need", _kg(row["need_kg"]), "", total=True),
                _line("Effective, from below", _kg(row["effective_kg"]), ""),
                _line(
                    "Bioload of the working rating",
                    _pct(row["working_load_pct"]),
                    row["working_state"],
                    total=True,
                    hand=over,
                ),
                _food_line(row),
            ]
        )
        + "</table>"
    )


def _food_line(row: Row) -> str:
    """What the food makes, beside the published share of it: two opinions, never mixed."""
    if row["expected_rise"] is None:
        return _line("Nitrate the food makes", "not known", "no food recorded")
    low, high = (number(DAYS_A_WEEK * row[name], 2) for name in ("expected_low", "expected_high"))
    published = number(DAYS_A_WEEK * row["expected_published"], 2)
    return _line(
        "Nitrate the food makes",
        f"{number(DAYS_A_WEEK * row['expected_rise'], 2)} ({low}–{high}){NBSP}mg/L a week",
        f"house figure; {published} by the share of Timmons & Ebeling",
    )


def effective_html(row: Row, layers: list[Row]) -> str:
    """Effective media: one row a layer, one column a factor, and why any factor is not 1."""
    rows = [r for r in layers if r["stage"] == "biological"]
    if not rows:
        return "<p>No biological layer: half cycle only.</p>"
    names = ("quality", "place", "maturity", "disturbance", "clog", "temperature")
    head = "".join(f'<th class="n">{n}</th>' for n in ("dry kg", *names, "effective kg"))
    body = "".join(
        f"<tr><td>{escape(r['compartment'])}, {escape(r['medium'])}</td><td class='n' data-l='dry kg'>{fixed(r['mass_kg'], 2)}</td>"
        + "".join(f"<td class='n' data-l='{n}'>{fixed(r[n], 2)}</td>" for n in names)
        + f"<td class='n' data-l='effective kg'>{fixed(r['effective_kg'], 2)}</td></tr>"
        for r in rows
    )
    why = "; ".join(dict.fromkeys(f"{r['compartment']}: {r['why']}" for r in rows if r["why"]))
    return (
        f'<div class="wide"><table class="ledger held"><thead><tr><th>Layer</th>{head}</tr></thead><tbody>{body}<tr class="sum"><td>Together</td>'
        f'<td class="n" colspan="7"></td><td class="n">{fixed(row["effective_kg"], 2)}</td></tr></tbody></table></div>'
        f'<p class="small">{escape(why)}{". " if why else ""}Factors are house figures; change any of them in round.toml and'
        " this sum follows.</p>"
    )


def findings_html(findings: list[Row], causes: list[Row]) -> str:
    """Each finding: its sentence, at most three possible causes with the likeliest first, and the step."""
    out = []
    for f in findings:
        mine = sorted((c for c in causes if c["rule"] == f["rule"]), key=lambda c: c["place"])
        told = "".join(
            f"<li><strong>Possible cause: {escape(c['cause'])}.</strong> {escape(sentence(c['because']))}.<br>"
            f"<small>Check: {escape(c['check'])}.</small></li>"
            for c in mine
        )
        quiet = " <small>(alert paused)</small>" if f["quiet"] else ""
        out.append(
            f'<p class="say">{escape(f["says"])}{quiet}</p>'
            + (f'<ol class="why">{told}</ol>' if told else "")
            + f'<p class="step">{escape(f["do"])}</p><p class="small">Basis: {escape(f["basis"])}.</p>'
        )
    return "".join(out) or "<p>Nothing to explain: no rule has found anything.</p>"


def facts_line(week: Week, row: Row | None, last: Any) -> str:
    """One line of facts under the name."""
    parts = []
    if row is not None:
        parts.append(f"{_l(row['net_l'])} net, {row['net_basis'] or 'not measured'}")
        parts.append("filter " + ", ".join(row["filters"]) if row["filters"] else "no filter recorded")
    parts.append(f"nitrate last read {ago(last, week.as_of)}" if last else "nitrate never read")
    parts.append(f"data as of {day(week.as_of, year=True)}")
    return escape(" · ".join(parts))
