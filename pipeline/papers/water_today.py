"""How much water to change at a visit, in litres and containers, with the reason."""

import datetime as dt
import math
from dataclasses import dataclass

import polars as pl

from pipeline.advise import changes
from pipeline.week import Week
from pipeline.wording import counted, number, per_cent, with_unit

# Rules of the review that fix the share changed today -> the assumption that holds it.
SMALL_STEPS = ("old_tank_trap", "old_tank")
AT_ONCE = ("free_ammonia", "nitrite_act", "nitrite", "ammonia")


@dataclass(frozen=True)
class Change:
    """A water change to make: fraction of the net volume and litres [L], None where they are not known."""

    fraction: float
    litres: float | None
    says: list[str]


def containers(litres: float, container_l: float | None) -> str:
    """`1½ containers of 20 L`, rounded up; blank where the van's container is not set."""
    if not container_l:
        return ""
    halves = max(1, math.ceil(round(2 * litres / container_l, 6)))
    whole, half = divmod(halves, 2)
    count = f"{whole or ''}{'½' if half else ''}"
    noun = "container" if halves <= 2 else "containers"
    return f"{count} {noun} of {with_unit(number(container_l), 'L')}"


def amount(fraction: float, net_l: float, container_l: float | None) -> str:
    """`30 L (20 %), 1½ containers of 20 L`."""
    litres = fraction * net_l
    text = f"{with_unit(f'{litres:.0f}', 'L')} ({per_cent(100 * fraction)})"
    carried = containers(litres, container_l)
    return f"{text}, {carried}" if carried else text


def net_of(week: Week, tank: str) -> tuple[float | None, str]:
    """Net volume [L] and how it is known: as the capacity calculated it, else as tanks.csv has it."""
    calculated = week.row("capacity", tank)
    if calculated and calculated["net_l"] is not None:
        return calculated["net_l"], calculated["net_basis"] or "basis not recorded"
    typed = next(iter(week.of("tank", tank)["net_l"]), None)
    return typed, "" if typed is None else "measured"


def usual(week: Week, tank: str) -> float | None:
    """The mean fraction of the last changes that were really changes; None where there were none."""
    rows = week.of("water_change", tank).filter(pl.col("day") <= week.as_of, kind="change").drop_nulls("fraction")
    last = rows.sort("day")["fraction"].tail(4)
    return float(last.mean()) if last.len() else None  # type: ignore[arg-type]


def ro_share(week: Week, tank: str) -> float:
    """The RO share of the last change [0 to 1]; what was done last is done again."""
    rows = week.of("water_change", tank).filter(pl.col("day") <= week.as_of).sort("day")
    return float(rows["ro_share"][-1]) if rows.height else 0.0


def change(week: Week, tank: str, day: dt.date) -> Change:
    """The change to make at the next visit: small steps in the old-tank trap, a large one where a test is
    dangerous, what brings nitrate under its limit or holds it there, else what is usual here.

    Sized by the same function as the plan, the pages and the reply.
    """
    assumed = week.assumed
    net, _ = net_of(week, tank)
    found = [row for row in week.rows("finding", tank) if not row["quiet"]]
    rules, urgent = {row["rule"] for row in found}, {row["rule"] for row in found if row["class"] == "act today"}
    fraction, why = usual(week, tank), "as usual"
    sized = changes.water_change(changes.facts(week, tank, net), assumed)
    way, holding = sized["way_down"], sized["holding"]
    if rules & set(SMALL_STEPS):
        fraction, why = assumed["old_tank_change_share"], "no more: old acid water, small steps"
    elif urgent & set(AT_ONCE):
        fraction, why = assumed["act_change_share"], "a test is dangerous"
    elif way is not None:
        why = f"nitrate is over its limit, {counted(way['visits'], 'visit')} to bring it under"
        fraction = way["fraction"]
    elif holding is not None and holding["fraction"] > max(fraction or 0.0, 0.0) and sized["possible"]:
        fraction, why = holding["fraction"], f"to stay under the limit of {number(sized['ceiling'])}"
    elif fraction is None:
        fraction, why = assumed["usual_change_share"], "none recorded lately"
    if net is None:
        return Change(fraction, None, [f"Change {per_cent(100 * fraction)}, {why}: net volume not known, measure it."])
    sentences = [f"Change {amount(fraction, net, week.round.van.get('container_l'))}, {why}."]
    share = ro_share(week, tank)
    if share > 0:
        sentences.append(f"Of it {per_cent(100 * share)} RO: {with_unit(f'{fraction * net * share:.0f}', 'L')}.")
    return Change(fraction, fraction * net, sentences)
