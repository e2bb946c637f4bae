"""What a visit may measure: one record a parameter, from parameters.toml. Columns, units, headers, forms and labels follow
from it."""

import tomllib
from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True)
class Parameter:
    """One parameter. A reading is kept in `unit`; its limits are names of assumptions."""

    name: str
    title: str
    unit: str
    plain: str  # the word for somebody who keeps no fish
    description: str = ""
    # Reporting basis (lower case, no spaces) -> the substance it counts, of which `counted` is the one of `unit`.
    counted: str = ""
    bases: dict[str, str] = field(default_factory=dict)
    aliases: dict[str, str] = field(default_factory=dict)  # other header (folded) -> the basis it states
    needs_kit: bool = True  # read with a kit; otherwise with a meter
    last_digit: bool = False  # of a meter, where only the last digit is uncertain, not a share of the value
    in_tap: bool = False  # tap water is tested for it
    compared: bool = False  # held against the tank's own last readings, to find mixed-up tanks and columns
    alarms: bool = False  # any reading above 0 is marked
    on_sheet: bool = True  # has a box on visit sheets and reports

    @property
    def limits(self) -> tuple[str, str]:
        """The assumptions under and over which a value is held; either may be absent."""
        return f"{self.name}_hold_below", f"{self.name}_hold_above"

    @property
    def is_hardness(self) -> bool:
        """Counted in degrees, of which other countries have their own."""
        return self.unit in ("dKH", "dGH")


_TABLES = tomllib.loads(Path(__file__).with_name("parameters.toml").read_text(encoding="utf-8"))
RECORDS = tuple(Parameter(name, **record) for name, record in _TABLES.items())
BY_NAME = {record.name: record for record in RECORDS}
