"""round.toml: what is true of the whole round. Anything not understood is told, and the default stands."""

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.assumptions import with_overrides
from pipeline.intake.files import not_read
from pipeline.week import Round
from schemas.words import DATE_ORDERS, GALLONS

MOST_BYTES = 1_000_000
KNOWN = {
    "round": {"name", "date_order", "visit_every_days"},
    "units": {"gallon"},
    "assumptions": None,  # by name, checked against assumptions.toml
    "prices": None,
    "van": {"payload_kg", "container_l"},
    "dosing": {"conditioner_ml_per_l"},
    "columns": None,  # own header -> our column
    "business": {"name", "phone", "currency", "insurance"},
    "dashboard": {"address"},
}


def _numbers(table: Mapping[str, Any], where: str, problems: list[str]) -> dict[str, float]:
    good = {}
    for name, value in table.items():
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e9:
            problems.append(f"round.toml [{where}]: {name} is “{value}”; expected a number, 0 or more. Not used.")
        else:
            good[name] = float(value)
    return good


def _is_column(name: str) -> bool:
    from pipeline.intake.headers import columns, fold  # brings the models, which most folders' settings do without

    return fold(name) in columns()


def _texts(table: Mapping[str, Any], where: str, problems: list[str]) -> dict[str, str]:
    for name, value in table.items():
        if not isinstance(value, str):
            problems.append(f"round.toml [{where}]: {name} is “{value}”; expected text in quotes. Not used.")
        elif where == "columns" and value.strip() and not _is_column(value):
            problems.append(
                f"round.toml [columns]: “{name}” is “{value}”, which is not a column; `tankround columns` lists them. Not used."
            )
    return {name: value for name, value in table.items() if isinstance(value, str)}


def read_round(folder: Path) -> Round:
    """The settings of a log folder, and what in it could not be used; a missing file means all defaults."""
    settings = _settings(folder)
    return replace(settings, problems=(*settings.problems, *not_read(folder)))


def _settings(folder: Path) -> Round:
    path = folder / "round.toml"
    if not path.is_file():
        return Round()
    try:
        if path.stat().st_size > MOST_BYTES:
            raise OSError(f"it is larger than {MOST_BYTES // 1000} kB")
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
        str(data)  # a number of thousands of digits could be shown in no sentence
    except (OSError, ValueError, RecursionError) as error:
        return Round(
            problems=(f"round.toml can't be read: {error}. Expected a TOML file; all settings are at their defaults.",)
        )
    problems: list[str] = []
    tables: dict[str, dict[str, Any]] = {}
    for name, value in data.items():
        if name not in KNOWN:
            problems.append(f"round.toml: “{name}” is not known; expected {', '.join(KNOWN)}. Not used.")
        elif not isinstance(value, dict):
            problems.append(f"round.toml: [{name}] is “{value}”; expected a table. Not used.")
        else:
            tables[name] = value
            allowed = KNOWN[name]
            problems += [
                f"round.toml [{name}]: “{key}” is not known; expected {', '.join(sorted(allowed))}. Not used."
                for key in value
                if allowed is not None and key not in allowed
            ]

    def setting(where: str, name: str, default: Any, good: Callable[[Any], bool], expected: str) -> Any:
        value = tables.get(where, {}).get(name, default)
        if good(value):
            return value
        used = f"{default} is used" if default else "Not used"
        problems.append(f"round.toml [{where}]: {name} is “{value}”; expected {expected}. {used}.")
        return default

    order = setting("round", "date_order", "iso", DATE_ORDERS.__contains__, ", ".join(DATE_ORDERS))
    is_days = "a whole number of days, 1 to 366"
    every = setting("round", "visit_every_days", 7, lambda n: type(n) is int and 1 <= n <= 366, is_days)
    gallon = setting("units", "gallon", "", ("", *GALLONS).__contains__, " or ".join(GALLONS))
    overrides = dict(tables.get("assumptions", {}))
    problems += with_overrides(overrides)[1]
    van, dosing, prices = (tables.get(name, {}) for name in ("van", "dosing", "prices"))
    # A price not understood is not known, never 0.
    plain = _numbers({k: v for k, v in prices.items() if not isinstance(v, Mapping)}, "prices", problems)
    by_name = {k: _numbers(v, f"prices.{k}", problems) for k, v in prices.items() if isinstance(v, Mapping)}
    return Round(
        name=str(tables.get("round", {}).get("name", "")),
        date_order=order,
        visit_every_days=every,
        gallon=gallon,
        overrides=overrides,
        prices={**plain, **by_name},
        van=_numbers({k: v for k, v in van.items() if k in (KNOWN["van"] or ())}, "van", problems),
        dosing=_numbers({k: v for k, v in dosing.items() if k in (KNOWN["dosing"] or ())}, "dosing", problems),
        columns=_texts(tables.get("columns", {}), "columns", problems),
        business=_texts(tables.get("business", {}), "business", problems),
        address=str(tables.get("dashboard", {}).get("address", "")),
        problems=tuple(problems),
    )
