"""The unit of every column of numbers: where the sheet states it, what only one unit can be, else a question."""

from __future__ import annotations

import statistics
from collections.abc import Mapping

from pipelines.sheets.fields import QUANTITY
from pipelines.sheets.propose_cells import NUMBER, Column
from pipelines.sheets.propose_header import CONCEPT_QUANTITY
from pipelines.sheets.propose_question import LayoutQuestion, listed
from pipelines.sheets.propose_role import Role, Roles
from pipelines.sheets.propose_words import quantity_of, unit_of
from pipelines.sheets.words import measured_unit
from wearlab.records import Measure

_CHOICES = {
    "distance": ("km", "mi"),
    "temperature": ("degC", "degF"),
    "pressure": ("bar", "MPa", "psi", "kgf/cm2"),
    "volume": ("ml", "l", "us fl oz", "uk fl oz"),
    "time": ("s", "min"),
}
_READING = ("ml", "ml/min", "l/h", "us fl oz", "uk fl oz", "mm")
_ONLY = {"speed": "rpm", "voltage": "V", "engine time": "h"}
#: Spans a test can have, common practice: collecting lasts seconds to minutes, a closed volume is some millilitres,
#: pressure is built within seconds. A unit that no number of the column can have is ruled out by them.
_SPANS = {
    "duration": (("s", 3.0, 900.0), ("min", 0.05, 15.0)),
    "pump_rise": (("s", 0.05, 60.0), ("ms", 50.0, 60000.0)),
    "volume": (("ml", 4.0, 500.0), ("l", 0.004, 0.5)),
    "tube": (("ml", 4.0, 2000.0), ("l", 0.004, 2.0)),
    "graduation": (("ml", 0.05, 50.0), ("l", 0.00005, 0.05)),
}
_HOLD_SHARE = (0.2, 1.05)  # of the peak beside it
_MEASURE_QUANTITY = {
    Measure.RETURN_FLOW.value: CONCEPT_QUANTITY["return_flow"],
    Measure.PUMP_PEAK.value: CONCEPT_QUANTITY["pump_peak"],
    Measure.PUMP_HOLD.value: CONCEPT_QUANTITY["pump_hold"],
    Measure.PUMP_RISE.value: CONCEPT_QUANTITY["pump_rise"],
}


def find_units(roles: Roles, titles: Mapping[str, int], answers: Mapping[str, str]) -> None:
    """Set the unit of every numeric column or ask for it.

    `titles` : units that title lines state, with the number of their row.
    """
    unit_column, packed = roles.one("unit"), roles.one("what")
    open_readings: list[Role] = []
    for role in roles.used:
        quantities = _quantities(role)
        if not quantities:
            role.unit = None
            continue
        if role.unit is not None and quantity_of(role.unit) in (
            *quantities,
            *(("time",) if role.field == "engine_hours" else ()),
        ):
            continue
        role.unit = None
        reading = role.field in ("reading", "value")
        answer = answers.get(f"unit:{role.column.name}", answers.get("unit:readings") if reading else None)
        if answer is not None and quantity_of(answer) in quantities:
            role.unit = answer
            role.why.append(f"{answer}, as answered")
        elif role.header.implied is not None and quantity_of(role.header.implied) in quantities:
            role.unit = role.header.implied
            role.why.append(f"{role.unit}, as the word says")
        elif reading and unit_column is not None and _suits(unit_column.column, quantities):
            role.why.append(f'unit in the column "{unit_column.column.name}"')
        elif reading and packed is not None and _packed_units(packed.column):
            role.why.append(f'unit in the column "{packed.column.name}"')
        elif reading and (beside := _as_peak(role, roles)) is not None:
            role.unit = beside
            role.why.append(f"{beside}, of the size of the peak beside it")
        elif _cell_units(role.column):
            role.why.append("unit in every cell")
        elif (stated := _stated(titles, quantities)) is not None:
            role.unit = stated
            role.why.append(f"{stated}, as row {titles[stated]} says")
        elif (only := _only(role, quantities)) is not None:
            role.unit = only
            role.why.append(f"{only}: no other unit fits the numbers")
        elif role.column.empty and not reading:
            role.unit = (
                _CHOICES.get(quantities[0], (None,))[0]
                if quantities[0] not in ("distance", "temperature", "pressure")
                else None
            )
            if role.unit is None:
                _ask(roles, role, quantities)
        elif reading and role.measure not in ("pump_peak", "pump_hold", "pump_rise"):
            open_readings.append(role)
        else:
            _ask(roles, role, quantities)
    if open_readings:
        names = [role.column.name for role in open_readings]
        unknown = next((role.header.unknown_unit for role in open_readings if role.header.unknown_unit), None)
        found = f'"{unknown}" is no known unit' if unknown else "neither header, unit row, cells nor titles state one"
        word = "columns" if len(names) > 1 else "column"
        told = listed(names, joint="and")
        sentence = f"In which unit are the readings of the {word} {told} (for example {listed(_READING)})?"
        roles.questions.append(LayoutQuestion("unit:readings", "unit", names[0], sentence, _READING, found, True))
    _ounces(roles, answers)


def _quantities(role: Role) -> tuple[str, ...]:
    if role.field in ("reading", "value"):
        if role.measure is not None:
            return _MEASURE_QUANTITY[role.measure]
        return CONCEPT_QUANTITY["value"] if role.field == "value" else CONCEPT_QUANTITY["cylinder"]
    quantity = QUANTITY.get(role.field)
    return () if quantity is None else (quantity,)


def _suits(column: Column, quantities: tuple[str, ...]) -> bool:
    found = {quantity_of(unit) for text in column.told if (unit := unit_of(text)) is not None}
    return bool(found & set(quantities))


def _packed_units(column: Column) -> bool:
    return sum(any(unit_of(word) is not None for word in text.split()) for text in column.told) >= 0.5 * max(
        1, len(column.told)
    )


def _cell_units(column: Column) -> bool:
    texts = [found for text in column.told if (found := NUMBER.fullmatch(text)) is not None]
    return bool(texts) and all(found.group(3) and unit_of(found.group(3)) is not None for found in texts)


def _stated(titles: Mapping[str, int], quantities: tuple[str, ...]) -> str | None:
    found = [unit for unit in titles if quantity_of(unit) in quantities and quantity_of(unit) != "time"]
    return found[0] if len(found) == 1 else None


def _figures(column: Column) -> list[float]:
    values = []
    for text in column.told:
        found = NUMBER.fullmatch(text)
        if found is not None:
            digits = found.group(2).strip().replace(",", ".")
            if digits.count(".") <= 1 and digits.replace(".", "").isdecimal():
                values.append(float(digits))
    return values


def _only(role: Role, quantities: tuple[str, ...]) -> str | None:
    if quantities[0] in _ONLY and len(quantities) == 1:
        return _ONLY[quantities[0]]
    spans = _SPANS.get(role.measure or role.field)
    values = [value for value in _figures(role.column) if value > 0]
    if spans is None or not values:
        return None
    middle = statistics.median(values)
    fitting = [unit for unit, low, high in spans if low <= middle <= high]
    return fitting[0] if len(fitting) == 1 else None


def _as_peak(role: Role, roles: Roles) -> str | None:
    """The unit of the peak, for held pressures that are all a little lower than the peaks in their rows."""
    peak = next((one for one in roles.used if one.measure == Measure.PUMP_PEAK and one.unit is not None), None)
    if role.measure != Measure.PUMP_HOLD or peak is None:
        return None
    shares = []
    for held, top in zip(role.column.cells(), peak.column.cells(), strict=False):
        try:
            shares.append(float(held.replace(",", ".")) / float(top.replace(",", ".")))
        except (ValueError, ZeroDivisionError):
            continue
    return peak.unit if shares and all(_HOLD_SHARE[0] <= share <= _HOLD_SHARE[1] for share in shares) else None


def _ask(roles: Roles, role: Role, quantities: tuple[str, ...]) -> None:
    name = role.column.name
    choices = _CHOICES.get(quantities[0], ())
    found = (
        f'"{role.header.unknown_unit}" is no known unit'
        if role.header.unknown_unit
        else "neither header, unit row, cells nor titles state one"
    )
    example = listed(role.column.told[:2], joint="and")
    sentence = f'In which unit is the column "{name}"{f" ({example})" if example else ""}: {listed(choices)}?'
    roles.questions.append(LayoutQuestion(f"unit:{name}", "unit", name, sentence, choices, found, True))


def _ounces(roles: Roles, answers: Mapping[str, str]) -> None:
    country = answers.get("ounce")
    column = roles.one("unit")
    texts = [role.unit for role in roles.used if role.unit] + (column.column.told if column is not None else [])
    loose = [text for text in texts if unit_of(text) is not None and measured_unit(str(unit_of(text))).open_choice]
    if not loose:
        return
    if country in ("us fl oz", "uk fl oz"):
        for role in roles.used:
            if role.unit in loose:
                role.unit = country
        if column is not None:
            column.words.update((text, country) for text in loose if text in column.column.texts)
        return
    sentence = f'Are the fluid ounces "{loose[0]}" US (29.57 ml) or UK ones (28.41 ml)?'
    roles.questions.append(
        LayoutQuestion(
            "ounce",
            "fluid ounce",
            column.column.name if column else "",
            sentence,
            ("us fl oz", "uk fl oz"),
            "the sheet does not say the country",
        )
    )
