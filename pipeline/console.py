"""What the terminal prints of the account, the held rows and the assumptions."""

import textwrap
from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any

import polars as pl

from pipeline.assumptions import Assumptions
from pipeline.week import Week
from pipeline.wording import NBSP, number
from schemas.words import ROW_OUTCOMES

WIDTH = 100
OUTCOME_TEXTS = {
    "accepted": "accepted",
    "converted": "converted (original kept)",
    "warned": "warned (used, marked)",
    "part_held": "part held (the rest of the row is used)",
    "held": "held (not used)",
    "repeats": "exact repeats (already here)",
}


def account_text(account: Mapping[str, Any], *, nothing_new: bool, warehouse: str) -> str:
    """The account of a load: the sum first, then the files, then columns nobody knows."""
    lines = [f"{account['rows_in']} rows read from {len(account['files'])} files."]
    lines += [f"  {account[name]:>7}  {OUTCOME_TEXTS[name]}" for name in ROW_OUTCOMES]
    sum_line = " + ".join(str(account[name]) for name in ROW_OUTCOMES)
    lines.append(f"  {sum_line} = {account['rows_in']}: every row is counted once.")
    shown = [f for f in account["files"] if f["held"] or f["part_held"] or f["warned"] or f["repeats"]]
    if shown:
        lines.append("Files with something to look at:")
    for file in shown:
        outcomes = ", ".join(f"{file[name]} {name.replace('_', ' ')}" for name in ROW_OUTCOMES[2:] if file[name])
        lines.append(f"  {file['file']}: {file['rows_in']} rows, {outcomes}")
    lines += [
        f"  {column['file']}: column “{column['column']}” is not known"
        + (f"; is it {column['like']}?" if column.get("like") else "; it is not used.")
        for column in account["unknown_columns"]
    ]
    lines += [str(problem) for problem in account.get("problems", [])]
    if account["held"] or account["part_held"]:
        lines.append("`tankround held LOGS` lists what is held, with reasons and suggestions.")
    lines.append("Nothing new since the last load." if nothing_new else f"Warehouse: {warehouse}")
    return "\n".join(lines)


def held_rows(week: Week) -> list[dict[str, Any]]:
    """The held items as `held --format json` prints them."""
    keys = ["file", "line", "column", "text", "reason", "suggestion", "tank"]
    return week.table("held").sort("file", "line", "column", nulls_last=False).select(keys).to_dicts()


def held_text(rows: Sequence[Mapping[str, Any]]) -> str:
    """The held items by file, a line of what was found and the sentence under it."""
    if not rows:
        return "Nothing is held: every row that was typed is in use."
    lines = [f"{len(rows)} held. Nothing of it is used until it is put right; nothing else waits for it."]
    for file, items in groupby(rows, key=lambda row: row["file"]):
        lines += ["", str(file)]
        for item in items:
            where = f"line {item['line']}" if item["line"] else "whole file"
            what = f"{item['column']} “{item['text']}”" if item["column"] else f"whole row: {item['text']}"
            tank = f" ({item['tank']})" if item["tank"] else ""
            lines.append(textwrap.shorten(f"  {where}{tank}  {what}", WIDTH, placeholder=" …"))
            lines += textwrap.wrap(item["reason"], WIDTH, initial_indent="    ", subsequent_indent="    ")
            if item["suggestion"]:
                lines.append(f"    suggested: {item['suggestion']}")
    lines += ["", "Put right in corrections.csv (file,line,column,was,now,by,on,why), or on the page Held rows."]
    return "\n".join(lines)


def assumptions_rows(assumed: Assumptions) -> list[dict[str, Any]]:
    """Every assumption as `assumptions --format json` prints it."""
    names = ("name", "value", "unit", "basis", "what", "group", "low", "high", "spread", "least", "most", "built_in")
    return [{name: getattr(f, name) for name in names} | {"spread": f.spread or None} for f in assumed.records()]


def assumptions_text(assumed: Assumptions) -> str:
    """Every assumption by group; an overridden one says what it was."""
    lines = []
    for group, members in groupby(assumed.records(), key=lambda f: f.group):
        lines += ["", f"[{group}]"]
        for f in members:
            unit = f.unit.removesuffix("s") if f.value == 1 and len(f.unit) > 2 else f.unit
            value = f"{number(f.value, 7)} {unit}".strip()
            span = f", {number(f.low)} to {number(f.high)}" if f.low is not None and f.high is not None else ""
            over = f"  (this folder; built in {number(f.built_in, 7)})" if f.built_in is not None else ""
            lines.append(f"{f.name} = {value}{span} (may be {f.expected.removesuffix(f.unit).strip()}){over}")
            lines += textwrap.wrap(f"{f.what}. {f.basis}.", WIDTH, initial_indent="    ", subsequent_indent="    ")
    return "\n".join(lines).strip().replace(NBSP, " ")


def account_dict(account: pl.DataFrame, unknown: pl.DataFrame, problems: Sequence[str] = ()) -> dict[str, Any]:
    """The account as `load --format json` prints it."""
    files = account.drop("sha256").sort("file").to_dicts()
    totals = {name: int(account[name].sum()) for name in ("rows_in", *ROW_OUTCOMES)}
    unknown_columns = unknown.sort("file", "column").to_dicts()
    return {**totals, "files": files, "unknown_columns": unknown_columns, "problems": list(problems)}
