"""The ways records go wrong, as one table: what was typed, where, and what must become of it.

Each folder under faults/ is a few lines of CSV laid over faults/base, with every byte as it would come in. A row is one
cell (or, with no column, one whole row; with line 0, one whole file).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

FAULTS = Path(__file__).with_name("faults")
TODAY = dt.date(2026, 6, 15)
A, B = "visits/a.csv", "visits/b.csv"
COPY = "visits/a copy.csv"
NOT_USED = "not used"

Value = tuple[float, float | None] | float | str | dt.date | None


@dataclass(frozen=True)
class Case:
    """One row of the table.

    `outcome` is of the cell: accepted, converted, warned, held; or "repeats" for a row. `account` is what the file's
    rows came to. `value` is what is kept: (low, high) of a reading in its canonical unit, litres of a water change,
    else the cell of its table. A held cell must be kept nowhere.
    """

    folder: str
    file: str
    line: int
    column: str | None
    typed: str
    outcome: str
    account: str
    says: tuple[str, ...] | str = ()
    suggestion: str | None = None
    value: Value = None
    doubt: str | None = None

    @property
    def number(self) -> str:
        """The number of the fault, without its leading 0."""
        return self.folder.split("_")[0].lstrip("0")

    @property
    def name(self) -> str:
        return f"{self.folder}-{self.file.rsplit('/')[-1].split('.')[0]}-{self.line}-{self.column or 'row'}"


CASES: tuple[Case, ...] = (
    # -- what the kit counts -------------------------------------------------------------------------
    Case("01a_nitrogen_kit", A, 2, "nitrate", "5", "converted", "converted 1", "5 read as 22.1 mg/L NO3", value=(16.6, 35.41)),
    Case("01b_nitrogen_suspected", A, 6, "nitrate", "5", "warned", "accepted 4, warned 1",
         ("ossible N basis", "change of about 79 %", "was the bottle shaken"), value=(4.5, 5.5), doubt="basis"),
    Case("02a_nitrite_nitrogen", A, 2, "nitrite", "0.3", "warned", "warned 1", ("not 0", "0.3 read as 0.985 mg/L NO2"), value=(0.657, 1.806)),
    Case("02b_ammonia_nitrogen", A, 2, "ammonia", "0.4", "warned", "warned 2", ("not 0", "0.4 read as 0.515 mg/L NH4"), value=(0.322, 0.837)),
    Case("02b_ammonia_nitrogen", A, 3, "ammonia", "0.4", "warned", "warned 2", ("not 0", "0.4 read as 0.424 mg/L NH4"), value=(0.265, 0.688)),
    # -- ranges ----------------------------------------------------------------------------------------
    Case("03_under", A, 2, "nitrate", "<5", "accepted", "accepted 4, part_held 1", value=(0, 5)),
    Case("03_under", A, 3, "nitrate", "under 5", "accepted", "accepted 4, part_held 1", value=(0, 5)),
    Case("03_under", A, 4, "nitrate", "trace", "accepted", "accepted 4, part_held 1", value=(0, 3)),
    Case("03_under", A, 5, "nitrate", "nd", "accepted", "accepted 4, part_held 1", value=(0, 3)),
    Case("03_under", A, 6, "nitrate", "trace", "held", "accepted 4, part_held 1", "says nothing without the kit's steps"),
    Case("04_over", A, 2, "nitrate", ">83", "warned", "warned 2", ("high: over 83", "diluted"), value=(83, None)),
    Case("04_over", A, 3, "nitrate", "83", "warned", "warned 2", ("high: 83", "diluted"), value=(65, None)),
    Case("04_over", B, 2, "nitrate", ">47", "accepted", "accepted 1", value=(47, None)),
    Case("05a_between", A, 2, "nitrate", "between 11 and 26", "accepted", "accepted 2", value=(11, 26)),
    Case("05a_between", A, 3, "nitrate", "11-26", "accepted", "accepted 2", value=(11, 26)),
    Case("05b_slash", A, 2, "nitrate", "11/26", "held", "part_held 1", "a range, a date or a fraction", "11-26"),
    Case("06_eaten_by_a_spreadsheet", A, 2, "nitrate", "05-Oct", "held", "part_held 5", "a spreadsheet has turned a range such as 5-10", "5-10"),
    Case("06_eaten_by_a_spreadsheet", A, 3, "nitrate", "45935", "held", "part_held 5", "a spreadsheet's number for a date", "5-10"),
    Case("06_eaten_by_a_spreadsheet", A, 4, "nitrate", "Oct-05", "held", "part_held 5", "a spreadsheet has turned a range", "5-10"),
    Case("06_eaten_by_a_spreadsheet", A, 5, "nitrate", "05/10/2026", "held", "part_held 5", "a spreadsheet has turned a range", "5-10"),
    Case("06_eaten_by_a_spreadsheet", A, 6, "nitrate", "2026-10-05", "held", "part_held 5", "a spreadsheet has turned a range", "5-10"),
    # -- kits and what stands beside them ----------------------------------------------------------------
    Case("07_kit_out_of_date", A, 2, "nitrate", "11", "warned", "accepted 1, warned 2", "raise an alarm but not clear one", value=(7, 18.5)),
    Case("07_kit_out_of_date", A, 3, "nitrate", "11", "warned", "accepted 1, warned 2", "open for over 12 months", value=(7, 18.5)),
    Case("07_kit_out_of_date", A, 4, "nitrate", "11", "accepted", "accepted 1, warned 2", value=(7, 18.5)),
    Case("08_kit_changed", A, 4, "nitrate", "47", "accepted", "accepted 3", value=(36.5, 65)),
    Case("09_nitrite_spoils", A, 2, "nitrate", "26", "warned", "warned 1", "Nitrite was present", value=(18.5, 36.5), doubt="nitrite"),
    Case("10_not_shaken", A, 4, "nitrate", "11", "warned", "accepted 2, warned 1",
         ("change of about 77 %", "KH has gone on falling: was the bottle shaken"), value=(7, 18.5)),
    Case("10b_kh_holds", A, 4, "nitrate", "11", "warned", "accepted 2, warned 1", "change of about 77 %", value=(7, 18.5)),
    Case("11_wrong_tank", A, 10, "nitrate", "11", "warned", "accepted 8, warned 2", "fit Lounge (A2), and its readings fit this tank: swapped?", value=(7, 18.5), doubt="basis"),
    Case("11_wrong_tank", A, 11, "nitrate", "47", "warned", "accepted 8, warned 2", "fit Parlour (A1), and its readings fit this tank: swapped?", value=(36.5, 65), doubt="basis"),
    Case("12_taken_after", A, 3, "taken", "after", "accepted", "accepted 2, warned 1, part_held 1", value="after"),
    Case("12_taken_after", A, 4, "nitrate", "26", "warned", "accepted 2, warned 1, part_held 1", "Before or after that day's change is not known", value=(18.5, 36.5), doubt="taken"),
    Case("12_taken_after", A, 5, "taken", "after", "held", "accepted 2, warned 1, part_held 1", "no water change is recorded on that day"),
    Case("12b_after_by_its_fall", A, 3, "nitrate", "11", "warned", "accepted 1, warned 1", "taken after that day's change", value=(7, 18.5)),
    Case("13_forgotten_change", A, 4, "nitrate", "28", "warned", "accepted 2, warned 1", "a change of about 30 %", value=(26.6, 29.4)),
    # -- numbers and dates -------------------------------------------------------------------------------
    Case("14a_decimal_comma", A, 2, "ph", "7,2", "converted", "converted 1", "decimal comma", value=(7.15, 7.25)),
    Case("14b_decimal_comma_quoted", A, 2, "ph", "7,2", "converted", "converted 1", "decimal comma", value=(7.15, 7.25)),
    Case("14c_decimal_comma_unquoted", A, 2, None, "2026-06-12,Crumpetwell House,Lounge,7,2,18", "held", "accepted 1, held 1", "6 fields where the header has 5"),
    Case("15_thousand_or_decimal", A, 2, "flow_l_h", "1,200", "held", "part_held 1", "1200 or 1.200"),
    Case("16a_order_shown_by_the_file", A, 2, "date", "03/04/2026", "converted", "converted 2", "day-first, as this file shows", value=dt.date(2026, 4, 3)),
    Case("16b_order_unknown", A, 2, "date", "03/04/2026", "held", "held 2", ("3 April (a Friday) or 4 March (a Wednesday)", "route day is Friday")),
    Case("16b_order_unknown", A, 3, "date", "05/04/2026", "held", "held 2", "nothing says whether the day or the month comes first"),
    Case("16c_both_orders", A, 2, "date", "25/04/2026", "converted", "converted 2, held 1", "2026-04-25", value=dt.date(2026, 4, 25)),
    Case("16c_both_orders", A, 4, "date", "03/04/2026", "held", "converted 2, held 1", "both orders"),
    Case("16d_order_declared", A, 2, "date", "03/04/2026", "converted", "converted 1", "month-first, as round.toml says", value=dt.date(2026, 3, 4)),
    Case("17_dates", A, 2, "date", "25/04/26", "converted", "converted 3, held 2", "2026-04-25", value=dt.date(2026, 4, 25)),
    Case("17_dates", A, 3, "date", "46137", "converted", "converted 3, held 2", "day number", value=dt.date(2026, 4, 25)),
    Case("17_dates", A, 4, "date", "2025-02-29", "held", "converted 3, held 2", "not a day of the calendar"),
    Case("17_dates", A, 5, "date", "31/04/2026", "held", "converted 3, held 2", "not a day of the calendar"),
    Case("17b_days_that_cannot_be", A, 2, "date", "2026-06-19", "held", "held 3", "in the future"),
    Case("17b_days_that_cannot_be", A, 3, "date", "2023-12-29", "held", "held 3", "before the tank was set up"),
    Case("17b_days_that_cannot_be", A, 4, "date", "2026-06-05", "held", "held 3", "after the tank was closed"),
    # -- units -------------------------------------------------------------------------------------------
    Case("18a_gallons_said", A, 2, "water_changed", "9 imp gal", "converted", "converted 2", "40.915 L", value=40.915),
    Case("18a_gallons_said", A, 3, "water_changed", "9 US gal", "converted", "converted 2", "34.069 L", value=34.069),
    Case("18b_gallons_not_said", A, 2, "water_changed", "40 gal", "held", "part_held 1", "182 L in imperial or 151 L in US"),
    Case("18c_gallons_declared", A, 2, "water_changed", "9 gal", "converted", "converted 1", "40.915 L", value=40.915),
    Case("19a_fahrenheit_said", A, 2, "temperature", "77 F", "converted", "converted 2", "25.0 °C", value=(24.72, 25.28)),
    Case("19a_fahrenheit_said", A, 3, "temperature", "77°F", "converted", "converted 2", "25.0 °C", value=(24.72, 25.28)),
    Case("19a_fahrenheit_said", B, 2, "temperature", "77", "converted", "converted 1", "25.0 °C", value=(24.72, 25.28)),
    Case("19b_fahrenheit_not_said", A, 2, "temperature", "77", "held", "part_held 2", "It may be °F", "25.0"),
    Case("19b_fahrenheit_not_said", A, 3, "temperature", "64", "held", "part_held 2", "It may be °F", "17.8"),
    Case("20a_hardness_by_kit", A, 2, "kh", "85", "converted", "accepted 1, converted 3", "4.76 dKH", value=(3.5, 6.585)),
    Case("20a_hardness_by_kit", A, 3, "kh", "6", "converted", "accepted 1, converted 3", "4.79 dKH", value=(3.594, 6.788)),
    Case("20a_hardness_by_kit", A, 4, "kh", "9", "converted", "accepted 1, converted 3", "5.04 dKH", value=(3.922, 7.004)),
    Case("20a_hardness_by_kit", A, 5, "kh", "5", "accepted", "accepted 1, converted 3", value=(4.2, 5.9)),
    Case("20b_hardness_without_unit", A, 2, "kh", "125", "held", "converted 1, part_held 3", "may be mg/L CaCO3", "7"),
    Case("20b_hardness_without_unit", A, 3, "gh", "214", "held", "converted 1, part_held 3", "may be mg/L CaCO3", "12"),
    Case("20b_hardness_without_unit", A, 4, "kh", "25 mg/L", "held", "converted 1, part_held 3", "mg/L of what", "25 mg/L CaCO3"),
    Case("20b_hardness_without_unit", A, 5, "kh", "125 mg/L CaCO3", "converted", "converted 1, part_held 3", "7 dKH", value=(6.65, 7.35)),
    Case("20c_hardness_swapped", A, 6, "kh", "12", "held", "accepted 4, part_held 1", "KH and GH are swapped", "5"),
    Case("20c_hardness_swapped", A, 6, "gh", "5", "held", "accepted 4, part_held 1", "KH and GH are swapped", "12"),
    # -- the same thing told twice -----------------------------------------------------------------------
    Case("21_loaded_twice", A, 3, None, "the whole sheet again", "repeats", "repeats 3"),
    Case("21_loaded_twice", COPY, 3, "nitrate", "11", "accepted", "accepted 3", value=(7, 18.5)),
    Case("21b_row_twice", A, 3, None, "2026-06-12,a1,7.2", "repeats", "accepted 1, repeats 1"),
    Case("22a_two_values", A, 2, "nitrate", "18", "held", "part_held 2", ("“18” in visits/a.csv, line 2", "“31” in visits/a.csv, line 3")),
    Case("22a_two_values", A, 3, "nitrate", "31", "held", "part_held 2", "neither is used"),
    Case("22b_retest", A, 3, "nitrate", "31", "accepted", "accepted 2", value=(29.45, 32.55)),
    Case("22c_two_times", A, 2, "nitrate", "18", "warned", "warned 2", "another time that day", value=(17.1, 18.9)),
    Case("22c_two_times", A, 3, "nitrate", "31", "warned", "warned 2", "“18” in visits/a.csv, line 2", value=(29.45, 32.55)),
    Case("22f_time_missing", A, 2, "nitrate", "18", "held", "accepted 2, part_held 2", "“31” in visits/a.csv, line 3"),
    Case("22f_time_missing", A, 4, "nitrate", "18", "accepted", "accepted 2, part_held 2", value=(17.1, 18.9)),
    Case("22d_two_changes", A, 2, "water_changed", "30%", "held", "part_held 2", "“40 L” in visits/a.csv, line 3"),
    Case("22e_two_tap_tests", "tap.csv", 2, "nitrate", "6", "held", "part_held 2", "“16” in tap.csv, line 3"),
    Case("22e_two_tap_tests", "tap.csv", 3, "nitrate", "16", "held", "part_held 2", "neither is used"),
    Case("23_sent_again_corrected", A, 2, "nitrate", "26", "held", "accepted 2, part_held 1", "“83” in visits/b.csv, line 2"),
    Case("23_sent_again_corrected", B, 2, "nitrate", "83", "held", "part_held 1, repeats 2", "“26” in visits/a.csv, line 2"),
    Case("23_sent_again_corrected", A, 2, "ph", "7.2", "accepted", "accepted 2, part_held 1", value=(7.1, 7.35)),
    Case("23_sent_again_corrected", A, 2, "water_changed", "30%", "accepted", "accepted 2, part_held 1", value=60.0),
    Case("23c_other_cells_corrected", A, 2, "fish_seen", "14", "held", "part_held 1", "“12” in visits/b.csv, line 2"),
    Case("23c_other_cells_corrected", B, 2, "change_kind", "top-up", "held", "part_held 1", "“” in visits/a.csv, line 2"),
    Case("23c_other_cells_corrected", A, 2, "nitrate", "26", "held", "part_held 1", "“26” with kit KN in visits/b.csv, line 2"),
    Case("23c_other_cells_corrected", A, 2, "fish_look", "well", "accepted", "part_held 1", value="well"),
    Case("23b_service_sent_again", "services/a.csv", 2, "found", "light", "held", "accepted 1, part_held 1", "“heavy” in services/b.csv, line 2"),
    Case("23b_service_sent_again", "services/b.csv", 2, "found", "heavy", "held", "part_held 1, repeats 1", "“light” in services/a.csv, line 2"),
    # -- names -------------------------------------------------------------------------------------------
    Case("24_names", A, 2, "tank", "porch", "converted", "accepted 1, converted 3, held 2", "Parlour (A1)", value="A1"),
    Case("24_names", A, 3, "tank", "Parlor", "held", "accepted 1, converted 3, held 2", "Is it Parlour (A1)?", "A1"),
    Case("24_names", A, 4, "tank", "Parlour", "accepted", "accepted 1, converted 3, held 2", value="A1"),
    Case("24_names", A, 5, "tank", "А1", "converted", "accepted 1, converted 3, held 2", "another alphabet", value="A1"),
    Case("24_names", A, 6, "tank", "Boiler room", "held", "accepted 1, converted 3, held 2", "is not a known tank"),
    Case("24_names", A, 7, "tank", "Α 1", "converted", "accepted 1, converted 3, held 2", "another alphabet", value="A1"),
    Case("25_one_name_on_two_sites", A, 2, "tank", "Lounge", "held", "accepted 2, held 1", "is at Crumpetwell House and Quay School"),
    Case("25_one_name_on_two_sites", A, 3, "tank", "Lounge", "accepted", "accepted 2, held 1", value="A2"),
    Case("25_one_name_on_two_sites", A, 4, "tank", "Lounge", "accepted", "accepted 2, held 1", value="B1"),
    Case("26a_filter_moved", "placements.csv", 3, "tank", "A2", "accepted", "accepted 3", value="A2"),
    Case("26b_filter_on_two_tanks", "placements.csv", 2, None, "F1,A1,2024-01-08", "held", "accepted 1, held 2", "on A1 and on A2 (placements.csv, line 3)"),
    Case("26b_filter_on_two_tanks", "placements.csv", 3, None, "F1,A2,2026-03-10", "held", "accepted 1, held 2", "one tank at a time"),
    # -- no results, and slips of the pen ----------------------------------------------------------------
    Case("27_blank", A, 2, "nitrate", "", "accepted", "accepted 1"),
    Case("28_zero", A, 2, "nitrate", "0", "accepted", "accepted 1", value=(0, 1.5)),
    Case("28_zero", B, 2, "nitrate", "0", "warned", "warned 1", "Nitrate 0 in a fed tank without plants", value=(0, 1.5)),
    Case("29_no_result", A, 2, "nitrite", "-", "accepted", "accepted 2, part_held 3"),
    Case("29_no_result", A, 3, "nitrite", "n/t", "accepted", "accepted 2, part_held 3"),
    Case("29_no_result", A, 4, "nitrite", "ok", "held", "accepted 2, part_held 3", "not a result"),
    Case("29_no_result", A, 5, "nitrite", "fine", "held", "accepted 2, part_held 3", "not a result"),
    Case("29_no_result", A, 6, "nitrite", "?", "held", "accepted 2, part_held 3", "not a result"),
    Case("29_no_result", A, 4, "nitrate", "18", "accepted", "accepted 2, part_held 3", value=(17.1, 18.9)),
    Case("30_slips", A, 2, "ammonia", "O", "held", "part_held 6", "can't be read as a number", "0"),
    Case("30_slips", A, 3, "nitrate", "1l", "held", "part_held 6", "not a known unit", "11"),
    Case("30_slips", A, 4, "ph", "7..2", "held", "part_held 6", "can't be read as a number", "7.2"),
    Case("30_slips", A, 5, "ph", "7.2.", "held", "part_held 6", "can't be read as a number", "7.2"),
    Case("30_slips", A, 6, "nitrate", "l8", "held", "part_held 6", "can't be read as a number", "18"),
    Case("30_slips", A, 7, "water_changed", "3O%", "held", "part_held 6", "“3O%”", "30%"),
    Case("31a_copied_down", A, 5, None, "26, 7.2, 5, 24.6 four visits running", "warned", "accepted 3, warned 1", "copied down?"),
    Case("31b_copied_across", A, 2, None, "26, 7.2, 5, 24.6 in three tanks", "warned", "warned 3", "the same in 3 tanks of the site that day: copied?"),
    Case("31c_coarse_steps_repeat", A, 5, None, "0, 0, 11, 7.2 four visits running", "accepted", "accepted 4"),
    Case("31d_quiet_zeros_repeat", A, 5, None, "0, 0, 0, 7.2 four visits running", "accepted", "accepted 4"),
    Case("32_missing_point", A, 2, "ph", "72", "held", "part_held 3", "A point may be missing: 7.2", "7.2"),
    Case("32_missing_point", A, 3, "kh", "65", "held", "part_held 3", ("mg/L CaCO3: that is 3.64 dKH", "a point may be missing: 6.5"), "3.64"),
    Case("32_missing_point", A, 4, "temperature", "246", "held", "part_held 3", "A point may be missing: 24.6", "24.6"),
    # -- the form of the file ----------------------------------------------------------------------------
    Case("33a_other_headers", A, 0, None, A, "converted", "warned 1", ("“NO3” is taken as nitrate", "“NO2-N” as nitrite", "“Temp” as temperature")),
    Case("33a_other_headers", A, 2, "nitrate", "26", "accepted", "warned 1", value=(18.5, 36.5)),
    Case("33a_other_headers", A, 2, "nitrite", "0.1", "warned", "warned 1", "0.328 mg/L NO2", value=(0.164, 0.493)),
    Case("33b_no_tank_column", "visits/2026-06.csv", 0, None, "visits/2026-06.csv", "held", "held 2", "no column tank"),
    Case("33c_column_twice", A, 2, "nitrate", "18", "held", "accepted 2, part_held 1", "two columns named nitrate read “18” and “31”"),
    Case("33c_column_twice", A, 3, "nitrate", "18", "accepted", "accepted 2, part_held 1", value=(17.1, 18.9)),
    Case("33c_column_twice", A, 4, "nitrate", "31", "accepted", "accepted 2, part_held 1", value=(29.45, 32.55)),
    Case("33d_title_above", A, 0, None, A, "converted", "accepted 1", "3 lines above the table passed over"),
    Case("33e_totals_below", A, 4, None, "Total,,,70 L", "held", "accepted 2, held 1", "looks like a totals line"),
    Case("33e_totals_below", B, 4, None, ",,29,70", "held", "accepted 2, held 1", "looks like a totals line"),
    Case("33f_long_sheet", A, 2, "value", "26", "accepted", "accepted 2, warned 1, part_held 1", value=(18.5, 36.5)),
    Case("33f_long_sheet", A, 3, "value", "0.1", "warned", "accepted 2, warned 1, part_held 1", ("Nitrite is not 0", "0.328 mg/L NO2"), value=(0.164, 0.493)),
    Case("33f_long_sheet", A, 4, "parameter", "colour", "accepted", "accepted 2, warned 1, part_held 1"),
    Case("33f_long_sheet", A, 5, "value", "7..2", "held", "accepted 2, warned 1, part_held 1", "can't be read", "7.2"),
    Case("33g_tabs", A, 2, "note", "well, as ever", "accepted", "accepted 1", value="well, as ever"),
    Case("33h_utf8_mark_crlf", A, 2, "temperature", "24.6 °C", "converted", "converted 1", "unit", value=(24.55, 24.65)),
    Case("33i_utf16", A, 0, None, A, "converted", "converted 1", "UTF-16"),
    Case("33i_utf16", A, 2, "temperature", "24.6 °C", "converted", "converted 1", "unit", value=(24.55, 24.65)),
    Case("33j_windows_letters", A, 0, None, A, "converted", "converted 1", "Windows-1252"),
    Case("33j_windows_letters", A, 2, "temperature", "24½ °C", "converted", "converted 1", "24.5", value=(24.45, 24.55)),
    Case("33j_windows_letters", A, 2, "note", "5 µm cloth", "accepted", "converted 1", value="5 µm cloth"),
    Case("33k_empty_columns_everywhere", A, 3, "ph", "7.5", "accepted", "accepted 2", value=(7.45, 7.55)),
    Case("33l_surplus_on_one_row", A, 2, None, "2026-06-12,A1,7.2,,", "held", "accepted 1, held 1", "5 fields where the header has 4"),
    Case("33m_columns_swapped", A, 2, "ph", "25", "held", "accepted 1, part_held 1", "pH and temperature are swapped", "7.2"),
    Case("33m_columns_swapped", A, 2, "temperature", "7.2", "held", "accepted 1, part_held 1", "pH and temperature are swapped", "25"),
    Case("33n_ph_and_kh_swapped", A, 6, "ph", "6.1", "warned", "accepted 4, warned 1", "pH and KH swapped?", value=(6.05, 6.15)),
    Case("34_units_in_the_cell", A, 2, "nitrate", "18 mg/l", "converted", "converted 1", "unit", value=(17.1, 18.9)),
    Case("34_units_in_the_cell", A, 2, "temperature", "25°C", "converted", "converted 1", "unit", value=(24.5, 25.5)),
    Case("34_units_in_the_cell", A, 2, "flow_l_h", "9 l/min", "converted", "converted 1", "540 L/h", value=(510, 570)),
    Case("34_units_in_the_cell", "services/a.csv", 2, "media_share", "30%", "converted", "converted 1", "0.3", value=0.3),
    # -- the filter book ---------------------------------------------------------------------------------
    Case("35_weighed_wet", "fills.csv", 2, "mass_kg", "2.6", "warned", "warned 1", ("1.3 kg a litre", "weighed wet"), value=2.6),
    Case("35b_catalogue_weighed_wet", "media.csv", 4, "bulk_kg_l", "1.25", "held", "accepted 2, part_held 1", "weighed wet"),
    Case("36_mass_in_grams_or_pounds", "fills.csv", 2, "mass_kg", "1500", "held", "converted 1, part_held 1", "Was it grams", "1.5"),
    Case("36_mass_in_grams_or_pounds", "fills.csv", 3, "mass_kg", "2 lb", "converted", "converted 1, part_held 1", "0.907", value=0.90718),
    Case("37_litres_as_kilograms", "fills.csv", 2, "mass_kg", "2.0", "warned", "warned 1", "litres of media entered as kilograms", value=2.0),
    Case("37b_catalogue_one_kilogram", "media.csv", 4, "bulk_kg_l", "1.00", "warned", "accepted 2, warned 1", "a litre of media entered as a kilogram", value=1.0),
    Case("38_net_over_gross", "tanks.csv", 2, "net_l", "240", "held", "accepted 1, part_held 1", "more than the gross volume"),
    Case("38b_dimensions_against_litres", "compartments.csv", 4, "usable_l", "3.4", "warned", "accepted 2, warned 1", "by its dimensions", value=3.4),
    # -- changes, rows and notes -------------------------------------------------------------------------
    Case("39_top_ups", A, 4, "water_changed", "8 L", "warned", "accepted 5, warned 1", "are these top-ups", value=8.0),
    Case("39_top_ups", A, 7, "water_changed", "5 L", "accepted", "accepted 5, warned 1", value=5.0),
    Case("40_partly_bad", A, 2, "nitrate", "18", "accepted", "part_held 1", value=(17.1, 18.9)),
    Case("40_partly_bad", A, 2, "ph", "72", "held", "part_held 1", "A point may be missing", "7.2"),
    Case("40_partly_bad", A, 2, "time", "half nine", "held", "part_held 1", "cannot be read as a time"),
    Case("40_partly_bad", A, 2, "water_changed", "50", "held", "part_held 1", "litres or per cent"),
    Case("41_markup_in_a_note", A, 2, "note", '=HYPERLINK("http://example.invalid","look")', "accepted", "accepted 2, part_held 1", value='=HYPERLINK("http://example.invalid","look")'),
    Case("41_markup_in_a_note", A, 3, "note", "<b>lid</b> & <script>alert(1)</script>", "accepted", "accepted 2, part_held 1", value="<b>lid</b> & <script>alert(1)</script>"),
    Case("41_markup_in_a_note", A, 4, "ph", "=1+6.2", "held", "accepted 2, part_held 1", "looks like a formula"),
    Case("42_a_person_in_a_note", A, 2, "note", "Mrs Example of room 12 fed them twice", "accepted", "accepted 1", value="Mrs Example of room 12 fed them twice"),
)  # fmt: skip

# Limits of single fields and of pairs, which stand beside the numbered faults.
LIMITS: tuple[Case, ...] = (
    Case("43a_flow", A, 2, "flow_l_h", "520", "accepted", "accepted 1, warned 1, part_held 1", value=(519.5, 520.5)),
    Case("43a_flow", A, 3, "flow_l_h", "1000", "held", "accepted 1, warned 1, part_held 1", "rated 900 L/h"),
    Case("43a_flow", A, 4, "flow_l_h", "340", "warned", "accepted 1, warned 1, part_held 1", "57 % of what filter F1 gives when clean", value=(339.5, 340.5)),
    Case("43b_amounts", A, 2, "water_changed", "50", "held", "converted 1, warned 1, part_held 4", "litres or per cent"),
    Case("43b_amounts", A, 3, "water_changed", "60%", "warned", "converted 1, warned 1, part_held 4", "More than half", value=72.0),
    Case("43b_amounts", A, 4, "water_changed", "110%", "held", "converted 1, warned 1, part_held 4", "more than the tank holds"),
    Case("43b_amounts", A, 5, "water_changed", "-20%", "held", "converted 1, warned 1, part_held 4", "negative", "20%"),
    Case("43b_amounts", A, 6, "water_changed", "3 buckets", "held", "converted 1, warned 1, part_held 4", "how large the bucket is"),
    Case("43b_amounts", A, 7, "water_changed", "3 x 12 L buckets", "converted", "converted 1, warned 1, part_held 4", "36 L", value=36.0),
    Case("43c_long_gap", A, 3, "date", "2026-06-05", "warned", "accepted 3, warned 1", "days after the visit before", value=dt.date(2026, 6, 5)),
    Case("43c_long_gap", A, 5, "date", "2026-06-05", "accepted", "accepted 3, warned 1", value=dt.date(2026, 6, 5)),
    Case("43d_services", "services/a.csv", 3, "next_weeks", "6", "warned", "accepted 1, warned 3", "Found heavy, yet the next service is put off from 4 to 6 weeks", value=6.0),
    Case("43d_services", "services/a.csv", 4, "next_weeks", "10", "warned", "accepted 1, warned 3", "more than 8 weeks off", value=10.0),
    Case("43d_services", "services/a.csv", 5, "media_share", "0.5", "warned", "accepted 1, warned 3", "More than a third", value=0.5),
    Case("43d_services", "services/a.csv", 5, "rinse_water", "tap", "warned", "accepted 1, warned 3", "tap water", value="tap"),
    Case("43d_services", "services/a.csv", 5, "job", "full", "warned", "accepted 1, warned 3", "45 % of the water was changed the same day", value="full"),
    Case("43e_odd_pairs", A, 2, "ph", "7.9", "warned", "warned 2", "KH 0", value=(7.7, 8.1)),
    Case("43e_odd_pairs", A, 3, "kit", "K9", "warned", "warned 2", "not a kit of kits.csv", value="K9"),
    Case("43f_beyond", A, 2, "ammonia", "9", "held", "part_held 2", "(under 8"),
    Case("43f_beyond", A, 2, "nitrite", "11", "held", "part_held 2", "(under 10"),
    Case("43f_beyond", A, 2, "nitrate", "260", "held", "part_held 2", "(under 250"),
    Case("43f_beyond", A, 2, "ph", "3.9", "held", "part_held 2", "(4 or more"),
    Case("43f_beyond", A, 2, "gh", "51", "held", "part_held 2", "(under 50", "2.86"),
    Case("43f_beyond", A, 2, "temperature", "3", "held", "part_held 2", "(4 or more"),
    Case("43f_beyond", A, 3, "ammonia", "-1", "held", "part_held 2", "negative", "1"),
    Case("43f_beyond", A, 3, "nitrate", "-5", "held", "part_held 2", "negative", "5"),
    Case("43g_no_kit_named", A, 0, "kit", "", "converted", "accepted 2", "of readings name no kit"),
)  # fmt: skip
