"""The filter as the water meets it, and the capacity sum line by line, as HTML of one tank."""

from __future__ import annotations

from html import escape
from typing import Any

from pipeline.figures import Figures
from pipeline.telling import NBSP, ago, day, fixed, number
from pipeline.week import Week

Row = dict[str, Any]
MM = 1.2  # pixels a millimetre of depth


def filter_html(week: Week, layers: list[Row]) -> str:
    """The layers of each filter in flow order; a canister fills from the bottom, as the water rises through it."""
    if not layers:
        return "<p>No filter is recorded on this tank. Write it into filters.csv, placements.csv and fills.csv.</p>"
    out = []
    for name in dict.fromkeys(row["filter"] for row in layers):
        items, above = [], None
        for n, row in enumerate((r for r in layers if r["filter"] == name), 1):
            height = max(26.0, MM * (row["depth_mm"] or 0))
            stage = row["stage"] or "stage not known"
            mass = "mass not recorded" if row["mass_kg"] is None else f"{number(row['mass_kg'])}{NBSP}kg"
            age = "" if row["age_weeks"] is None else f"; {row['age_weeks']:.0f}{NBSP}weeks old"
            depth = "depth not recorded" if row["depth_mm"] is None else f"{row['depth_mm']:.0f}{NBSP}mm"
            said = mass if row["mass_kg"] is not None or stage in ("biological", "chemical") else ""
            items.append(
                f'<li class="{"new" if row["compartment"] != above else ""}"><div class="core {escape(str(row["stage"] or ""))}"'
                f' style="min-height:{height:.0f}px"></div><div class="words">{n} <strong>{escape(stage.capitalize())}</strong>,'
                f" {escape(row['medium'])}{', ' + said if said else ''}<br><small>{escape(row['compartment'])}, {depth}{age}"
                "</small></div></li>"
            )
            above = row["compartment"]
        kind = ""
        models = week.table("filter").join(week.table("filter_model"), on="model", how="left")
        for record in models.iter_rows(named=True):
            if record["filter"] == name:
                kind = record["kind"] or ""
        down = " down" if kind in ("trickle", "hang-on", "sump") else ""
        out.append(
            f'<p class="small">{escape(name)}{", " + escape(kind) if kind else ""}. Read from 1, where the water comes first.</p>'
            f'<ol class="filter{down}">{"".join(items)}</ol>'
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


def plain_html(row: Row, figures: Figures) -> str:
    """Plain rating: the bare rule of the trade."""
    rule = figures.figure("litres_per_kg")
    over = bool(row["over_full_cycle"])
    return (
        '<table class="ledger">'
        + "".join(
            [
                _line("Media that counts, dry", _kg(row["media_kg"]), "porous biological, in the flow"),
                _line("× litres for each kilogram", _l(rule.value), rule.basis),
                _line("Plain rating", _l(row["plain_l"]), "", total=True),
                _line("Net volume", _l(row["net_l"]), row["net_basis"] or "measure it by filling"),
                _line("Plain load", _pct(row["plain_load_pct"]), row["plain_state"], total=True, hand=over),
            ]
        )
        + "</table>"
    )


def need_html(row: Row, figures: Figures) -> str:
    """What the tank asks for, and the working load."""
    over = (row["working_load_pct"] or 0) > 100
    rule = figures["litres_per_kg"]
    net = None if row["net_l"] is None else row["net_l"] / rule
    return (
        '<table class="ledger">'
        + "".join(
            [
                _line(f"Net volume ÷ {number(rule)}", _kg(net), "at normal stocking"),
                _line("× load", number(row["load"]), f"from {row['load_basis']}" if row["load_basis"] else ""),
                _line("× plants", number(row["plants"]), "house figure"),
                _line("Need", _kg(row["need_kg"]), "", total=True),
                _line("Effective, from below", _kg(row["effective_kg"]), ""),
                _line("Working load", _pct(row["working_load_pct"]), row["working_state"], total=True, hand=over),
            ]
        )
        + "</table>"
    )


def effective_html(row: Row, layers: list[Row]) -> str:
    """Effective media: one row a layer, one column a factor, and why any factor is not 1."""
    rows = [r for r in layers if r["stage"] == "biological"]
    if not rows:
        return "<p>No biological layer: half cycle only.</p>"
    names = ("quality", "place", "maturity", "disturbance", "clog", "temperature")
    head = "".join(f'<th class="n">{n}</th>' for n in ("dry kg", *names, "effective kg"))
    body = "".join(
        f"<tr><td>{escape(r['compartment'])}, {escape(r['medium'])}</td><td class='n'>{fixed(r['mass_kg'], 2)}</td>"
        + "".join(f"<td class='n'>{fixed(r[n], 2)}</td>" for n in names)
        + f"<td class='n'>{fixed(r['effective_kg'], 2)}</td></tr>"
        for r in rows
    )
    why = "; ".join(dict.fromkeys(f"{r['compartment']}: {r['why']}" for r in rows if r["why"]))
    return (
        f'<div class="wide"><table class="ledger"><thead><tr><th>Layer</th>{head}</tr></thead><tbody>{body}<tr class="sum"><td>Together</td>'
        f'<td class="n" colspan="7"></td><td class="n">{fixed(row["effective_kg"], 2)}</td></tr></tbody></table></div>'
        f'<p class="small">{escape(why)}{". " if why else ""}Factors are house figures; change any of them in round.toml and'
        " this sum follows.</p>"
    )


def findings_html(findings: list[Row], causes: list[Row]) -> str:
    """Each finding: its sentence, at most three causes with the cheapest check first, and the step."""
    out = []
    for f in findings:
        mine = sorted((c for c in causes if c["rule"] == f["rule"]), key=lambda c: c["place"])
        told = "".join(
            f"<li><strong>Points to {escape(c['cause'])}.</strong> {escape(c['because'][:1].upper() + c['because'][1:])}.<br>"
            f"<small>Check: {escape(c['check'])}.</small></li>"
            for c in mine
        )
        quiet = " <small>(noted, quiet for now)</small>" if f["quiet"] else ""
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
