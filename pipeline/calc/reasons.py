"""The words of a capacity: why a layer does less than its rule, what is not recorded. Ordinary text about one row."""

from collections.abc import Mapping
from typing import Any

from pipeline import wording
from pipeline.assumptions import Assumptions

Row = Mapping[str, Any]

AGE_UNKNOWN = "age not recorded: taken as mature"


def _disturbed(row: Row) -> str:
    """The disturbance that is felt most, and its day."""
    what, size = row["disturbed_by"], row["disturbed_size"]
    if what == "stopped":
        what = f"stopped for {wording.counted(round(size), 'hour')}"
    elif what.startswith("rinsed"):
        what = f"{'all (share not recorded)' if size is None else wording.per_cent(100 * size)} {what}"
    return f"{what} on {wording.day(row['disturbed_on'])}"


def _clogged(row: Row) -> str:
    match row["clogged_by"]:
        case "flow":
            return f"flow at {wording.per_cent(100 * row['flow_of_clean'])} of clean"
        case "sludge":
            return "sludge found at the last service"
        case "overdue":
            return f"service {wording.counted(round(row['overdue_weeks']), 'week')} overdue"
        case None:
            return ""
        case other:
            return str(other)


def layer_why(row: Row, assumed: Assumptions) -> str:
    """Why a layer's factors are not 1, one reason a factor; nothing for pads and carbon, which do no such work."""
    if not row["biological"]:
        return ""
    parts = []
    if row["quality"] is None:
        parts.append("quality not in the catalogue")
    elif row["quality"] < 1:
        parts.append(f"quality {row['quality']:g}")
    parts.append(row["place_why"])
    if row["bypass"]:
        parts.append("water is suspected to pass it by")
    if row["age_weeks"] is None:
        parts.append(AGE_UNKNOWN)
    elif row["maturity"] < 1:
        age = wording.counted(int(row["age_weeks"]), "week")
        parts.append(f"new: {age} old, mature at week {assumed['maturity_full_weeks']:g}")
    if row["disturbance"] < 1 and row["disturbed_by"] is not None:
        parts.append(_disturbed(row))
    if row["dried"] is not None:
        parts.append(f"dried out on {wording.day(row['dried'], year=True, weekday=False)}")
    parts.append(_clogged(row))
    if row["temperature"] is not None and row["temperature"] != 1:
        parts.append(f"water at {wording.reading('temperature', row['temperature_c'])}")
    return "; ".join(part for part in parts if part)


def lacks(row: Row) -> tuple[str | None, str | None]:
    """What a layer lacks for the plain rating, and what for the working one only; None where nothing."""
    if row["stage"] is None:
        return f"the stage of {row['medium']}", None
    if not row["biological"]:
        return None, None
    plain = working = None
    matters = row["quality"] is None or row["quality"] > 0
    mass = f"the mass of {row['medium']} in {row['filter']} {row['compartment']}"
    no_mass = row["mass_kg"] is None and not row["foam"]
    if row["quality"] is None and not row["foam"]:
        plain = f"the quality of {row['medium']}"
    elif no_mass and row["counts"]:
        plain = mass
    if no_mass and matters and not row["counts"]:
        working = mass
    elif row["place"] is None and matters:
        working = f"the place of {row['filter']} {row['compartment']} in the flow"
    return plain, working
