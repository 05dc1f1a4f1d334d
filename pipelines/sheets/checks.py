"""The rules by which cells and rows are doubted: one table with level, sentence and source of each.

Levels: `note` changes nothing, `flag` keeps what is stored out of models until confirmed, `cell` sets one
cell aside, `row` the whole row. {cell} is the text as written, {column} the header, {what} both ("12" in the
column "Cyl 1"), {more} what the rule adds.
"common practice, no source" marks a threshold that nobody published; each stands here as a constant.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

PRACTICE = "common practice, no source"
MEANING = "follows from what the words mean"

#: Below this rail pressure (bar) while cranking a zero return says nothing about the injector.
RAIL_NOT_BUILT_BAR = 90.0
#: Cranking slower than this (rpm) is not comparable; below this share of the usual speed it is doubted.
CRANK_RPM_LEAST = 100.0
CRANK_SHARE_LEAST = 0.85
#: With a battery below this (V) a smaller loss of speed is doubted as well.
CRANK_WEAK_VOLT = 10.5
CRANK_WEAK_SHARE = 0.90
#: Battery voltage while cranking below which a test is doubted.
CRANK_VOLT_LEAST = 9.0
#: The usual cranking speed is told by so many of the vehicle's own tests in the sheet, else of its family's.
USUAL_OWN_TESTS = 3
USUAL_FAMILY_TESTS = 5
#: Piezo injectors need their return held at least at this pressure (bar) to work at all.
PIEZO_BACK_BAR = 3.0
#: A peak below this share of the vehicle's best is worth a look at the supply first.
PEAK_FALL_SHARE = 0.85
#: A pump peak outside this span (bar) is more likely a slip of the decimal point or of the unit.
PEAK_SPAN_BAR = (50.0, 3500.0)
#: Peaks that pumps really reach (bar): a suggestion must land here.
PEAK_USUAL_BAR = (300.0, 2600.0)
#: Distance a day (km) beyond which two meter readings do not belong together.
KM_A_DAY_MOST = 500.0
#: A meter that shows the same on so many days while so many km were due at the vehicle's pace stands still.
STUCK_DAYS = 3
STUCK_KM = 1000.0
#: Mean speeds of road vehicles over their running hours (km/h): a likely reading of hours lies between.
KM_AN_HOUR = (10.0, 90.0)
#: A tube is marked a little below its brim; more than this times its size cannot have been in it.
TUBE_BRIM = 1.15
#: Dates before this year are slips: such systems did not exist.
FIRST_YEAR = 1990
#: What a meter or logger writes when it has no value.
SENTINELS = (65535.0, 999999.0, 4294967295.0)


class Level(StrEnum):
    """What a rule does to the cell or row it doubts."""

    NOTE = "note"
    FLAG = "flag"
    CELL = "cell"
    ROW = "row"


@dataclass(frozen=True, slots=True)
class Rule:
    """One named rule."""

    code: str
    level: Level
    sentence: str
    source: str = MEANING
    converts: bool = False

    @property
    def verdict(self) -> str:
        """What becomes of the cell or row: accept, convert, flag or set aside."""
        if self.level == Level.NOTE:
            return "convert" if self.converts else "accept"
        return "flag" if self.level == Level.FLAG else "set aside"


_N, _F, _C, _R = Level.NOTE, Level.FLAG, Level.CELL, Level.ROW

_TABLE = (
    # whole rows
    Rule("aggregate", _R, "A line of means or totals, not a test: {cell}."),
    Rule("total_matches", _N, "The total line says {more}, and the sheet has as many."),
    Rule("total_differs", _N, "The total line says {more}: look whether lines are missing."),
    Rule("no_vehicle", _R, "The row names no vehicle: enter it in the column {column}."),
    Rule("no_date", _R, "The row has no date: enter it in the column {column}."),
    Rule("impossible_date", _R, 'The date "{cell}" does not exist: correct it in the column {column}.'),
    Rule(
        "unreadable_date",
        _R,
        '"{cell}" is not a date of the form {more}: correct it or declare its form in the layout.',
    ),
    Rule(
        "ambiguous_date",
        _R,
        'The date "{cell}" fits two declared forms ({more}): keep only one in the layout.',
    ),
    Rule("future_date", _R, 'The date "{cell}" lies after {more}: correct it.'),
    Rule("early_date", _R, f'The date "{{cell}}" lies before {FIRST_YEAR}: correct it.', PRACTICE),
    Rule("duplicate", _R, "The row repeats {more} in every field: a copy, not a second test."),
    Rule("no_kind", _R, '"{cell}" is no kind of work: use one of {more}, or add it to words in the layout.'),
    Rule("no_rig", _R, "The row names no rig: enter it in the column {column}."),
    Rule("no_part_number", _R, "The row names no part number: enter it in the column {column}."),
    Rule(
        "id_scientific",
        _F,
        'The vehicle "{cell}" is a number with an exponent, as spreadsheets make of some ids: enter the id as text.',
    ),
    # single cells that are not used
    Rule("unreadable", _C, "{what} is not a number{more}: correct it."),
    Rule("unreadable_day", _C, "{what} is not a date of the form {more}: correct it."),
    Rule("turned_date", _C, "{what} was made a date by a spreadsheet: enter it again as text."),
    Rule("unknown_word", _C, "{what} is not known here{more}: correct it or add it to the words of the layout."),
    Rule("wrong_quantity", _C, "{what} has a unit of {more}: correct the unit."),
    Rule("bound_here", _C, "{what} is a bound; a single value is needed here."),
    Rule("sentinel", _C, "{what} is what a meter shows without a value: enter the true one.", PRACTICE),
    Rule("negative", _C, "{what} is negative, which it cannot be: measure again."),
    Rule("spoiled", _N, "{what}: the measurement was spoiled and gave no value."),
    Rule(
        "capacity_unknown",
        _C,
        "{what} is beyond the scale of a tube of unknown size: enter its size with the rig.",
    ),
    Rule("unit_missing", _C, "{what} has no unit, and none is assumed: enter it in the sheet or layout."),
    Rule("unknown_unit", _C, '{what} has the unit "{more}", which is not known: correct it.'),
    Rule("height", _C, "{what} is a height in a tube of unknown area: enter the area with the rig."),
    Rule("volts", _C, "{what} is the voltage of a sensor of unknown scale: enter its scale or the pressure."),
    Rule("sensor_range", _C, "{what} lies outside the scale of its sensor: check the unit and the sensor."),
    Rule("other_quantity", _C, "{what} is {more}, which never stands for what was tested: leave it out."),
    Rule("no_position", _C, "The reading {what} names no cylinder: enter its position."),
    Rule("beyond_engine", _C, 'Cylinder {more}: correct the position or the register ("{cell}").'),
    Rule(
        "peak_implausible",
        _C,
        f"{{what}} would be {{more}} bar, beyond {PEAK_SPAN_BAR[0]:g} to {PEAK_SPAN_BAR[1]:g}: "
        "check decimal mark and unit.",
        PRACTICE,
    ),
    Rule(
        "over_tube",
        _F,
        "{what} is more than the tube of {more} ml holds: read it again, or say which tube was used.",
    ),
    Rule("without_peak", _C, "{what} belongs to a peak that was set aside: correct that first."),
    Rule(
        "all_zero",
        _C,
        "{what} and all others of the set are exactly zero, which no test gives: measure again.",
        PRACTICE,
    ),
    # stored, but doubted
    Rule("approximate", _F, "{what} was written as about that much: measure again."),
    Rule("marked", _F, "{what} carries a mark{more}: confirm it, or say in the layout what the mark means."),
    Rule("foam", _F, "{what} was read with foam and so reads high: read again when it has settled."),
    Rule("no_duration", _F, "{what} is a volume without a duration and gives no rate: enter the seconds."),
    Rule(
        "inconclusive",
        _F,
        f"{{what}} with no more than {RAIL_NOT_BUILT_BAR:g} bar in the rail does not mean no leakage: test again.",
        PRACTICE,
    ),
    Rule(
        "rail_not_built",
        _F,
        "No rail pressure here, and another line of the set says that it never built: record it.",
        PRACTICE,
    ),
    Rule(
        "low_speed",
        _F,
        "Cranked at {more}, slower than the vehicle or its family usually is: charge the battery and test again.",
        PRACTICE,
    ),
    Rule(
        "not_comparable",
        _F,
        f"Cranked at {{more}}, below {CRANK_RPM_LEAST:g} rpm, which compares with no other test: charge the battery.",
        PRACTICE,
    ),
    Rule(
        "low_battery",
        _F,
        f"The battery fell to {{more}} while cranking (below {CRANK_VOLT_LEAST:g} V): charge it, test again.",
        PRACTICE,
    ),
    Rule(
        "rig_leak",
        _F,
        "The rig leaks by itself, so the pressure is a lower bound at best: seal it and test again.",
    ),
    Rule(
        "cylinder_doubt",
        _F,
        "Cylinder {more}, and the register does not say how many the engine has: enter it there.",
        PRACTICE,
    ),
    Rule(
        "piezo_open",
        _F,
        f"Piezo injectors with their return below {PIEZO_BACK_BAR:g} bar{{more}}, which gives no true return: hold it "
        "under pressure and test again.",
        "service literature: below 3 bar the return of such injectors starves them",
    ),
    Rule(
        "piezo_unrecorded",
        _F,
        "Piezo injectors, and the pressure of their return is not recorded: an open bottle gives no true return.",
        "service literature: such injectors need their return held under pressure",
    ),
    Rule(
        "supply_low",
        _F,
        "The peak is below its limit and {more}: pump or supply, check supply first.",
        PRACTICE,
    ),
    Rule(
        "supply_unrecorded",
        _F,
        "The peak is below its limit, and neither supply pressure nor filter and air are recorded: pump or supply, "
        "check supply first.",
        PRACTICE,
    ),
    Rule("ounce", _F, "{what} is in fluid ounces, US (29.57 ml) or UK, and was read as US: say which."),
    Rule(
        "odometer_slip",
        _F,
        "{what} does not fit the vehicle's other meter readings ({more}): check it.",
        PRACTICE,
    ),
    Rule(
        "odometer_back",
        _F,
        "{what} is less than {more}: check it, or enter a change of the meter as an event.",
    ),
    Rule("odometer_stuck", _F, "{what} stands still since {more}: have the meter looked at.", PRACTICE),
    Rule(
        "odometer_miles", _F, "{what} fits the vehicle's other readings ({more}) as miles: confirm the unit.", PRACTICE
    ),
    Rule(
        "odometer_hours", _F, "{what} fits the vehicle's running hours, not its distance ({more}): check it.", PRACTICE
    ),
    Rule(
        "order_unclear",
        _F,
        "The remark gives {more} as the order of the cylinders, which does not name each of them once: say the order.",
    ),
    Rule("numbering_told", _F, "The remark speaks of {more}, so the cylinders may be other ones: say their order."),
    Rule("written_order", _F, "The remark says the cylinders were written in the order {more}: confirm it."),
    # worth knowing
    Rule(
        "supply_unseen",
        _N,
        "The peak is far below the vehicle's best ({more}), and no supply was recorded: check supply first.",
        PRACTICE,
    ),
    Rule("event_told", _N, "The remark tells of {more}: enter it as an event if it is true."),
    Rule("converted", _N, "{what} was converted to {more}.", converts=True),
    Rule("serial_date", _N, "{what} is a day number of the workbook and was read as {more}.", converts=True),
    Rule("scientific", _N, "{what} is written with an exponent."),
    Rule("duration_ignored", _N, "{what} is a rate already, so the {more} beside it was not used."),
    Rule("repeat_renumbered", _N, "Repeat {more} is taken at this visit: the reading got the next free number."),
    Rule("nothing_measured", _N, "No reading in this row."),
    Rule("column_unused", _N, 'The column "{column}" is not in the layout; it is kept with the raw rows only.'),
    Rule("sheet_note", _N, "{more}"),
    Rule("completed", _N, "{more} says more of the same measurement and completes this row; both are kept."),
    # settled by a person
    Rule("accepted", _N, "Accepted as it is by a person ({more})."),
    Rule("given", _N, "{what} was replaced by a person: {more}."),
    Rule("dropped", _R, "The row was dropped by a person{more}."),
    Rule("dropped_cell", _C, "{what} was dropped by a person{more}."),
)

RULES: dict[str, Rule] = {rule.code: rule for rule in _TABLE}
