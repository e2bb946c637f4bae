"""What a visit may measure: one record a parameter. Columns, units, headers, forms and labels follow from it.

To add a parameter, add a record here and its `<name>_hold_above` (and `_below`) to pipeline/assumptions.toml.
"""

from dataclasses import dataclass, field


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


RECORDS = (
    Parameter(
        "ammonia", "Ammonia", "mg/L NH4", "waste from the fish", "Total.",
        counted="NH4", bases={"nh4": "NH4", "nh3": "NH3", "nh4-n": "N", "nh3-n": "N", "tan": "N", "n": "N"},
        aliases={"nh3": "", "nh4": "", "nh3/nh4": "", "nh3-n": "NH3-N", "nh4-n": "NH4-N"}, in_tap=True, alarms=True,
    ),
    Parameter(
        "nitrite", "Nitrite", "mg/L NO2", "half-treated waste",
        counted="NO2", bases={"no2": "NO2", "no2-n": "N", "n": "N"}, aliases={"no2": "", "no2-n": "NO2-N"}, alarms=True,
    ),
    Parameter(
        "nitrate", "Nitrate", "mg/L NO3", "treated waste",
        counted="NO3", bases={"no3": "NO3", "no3-n": "N", "n": "N"}, aliases={"no3": "", "no3-n": "NO3-N"},
        in_tap=True, compared=True,
    ),
    Parameter(
        "ph", "pH", "", "acidity",
        bases={"": "", "ph": ""}, needs_kit=False, last_digit=True, in_tap=True, compared=True,
    ),
    Parameter("kh", "KH", "dKH", "hold on the acidity", aliases={"dkh": ""}, in_tap=True, compared=True),
    Parameter("gh", "GH", "dGH", "hardness", aliases={"dgh": ""}, compared=True),
    Parameter(
        "temperature", "Temperature", "°C", "temperature",
        bases={"c": "", "°c": ""},  # °F is no factor: see fahrenheit_to_celsius
        aliases={"temp": "", "temp.": ""}, needs_kit=False, last_digit=True, compared=True,
    ),
    Parameter(
        "phosphate", "Phosphate", "mg/L PO4", "phosphate",
        counted="PO4", bases={"po4": "PO4", "po4-p": "P", "p": "P"}, aliases={"po4": ""},
    ),
    Parameter("oxygen", "Oxygen", "mg/L O2", "oxygen", bases={"o2": ""}, aliases={"o2": ""}, needs_kit=False),
    Parameter(
        "flow_l_h", "Flow", "L/h", "flow", "At the outlet, timed.",
        bases={"l/h": ""}, aliases={"flow": ""}, needs_kit=False, last_digit=True, on_sheet=False,
    ),
)  # fmt: skip
BY_NAME = {record.name: record for record in RECORDS}
