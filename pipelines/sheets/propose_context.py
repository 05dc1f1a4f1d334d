"""What surrounds the readings: measure, way of driving, protocol, duration, depot. Proposed, and asked."""

from __future__ import annotations

from collections.abc import Mapping

from pipelines.sheets.propose_header import CONCEPT_QUANTITY
from pipelines.sheets.propose_kind import PUMPS
from pipelines.sheets.propose_question import LayoutQuestion
from pipelines.sheets.propose_role import Role, Roles
from pipelines.sheets.propose_text import Draft
from pipelines.sheets.propose_titles import Titles
from pipelines.sheets.propose_words import lexicon, plain, quantity_of, unit_of
from wearlab.config import Settings
from wearlab.records import PUMP, Driven, Measure

_COLLECTED = frozenset(CONCEPT_QUANTITY["return_flow"])
_PLACES = ("return", "tank", "coolant")


def measures_of(roles: Roles, draft: Draft, titles: Titles, answers: Mapping[str, str]) -> None:
    """Name the measure of every reading that its header does not name.

    What is collected as a volume or a rate per cylinder can only be return flow. Where neither unit nor words tell,
    it is asked, because a peak and a held pressure have the same unit.
    """
    if roles.one("measure") is not None:
        for role in roles.readings:
            if role.field == "value" or role.repeat is not None:
                role.measure = None if role.concept in ("value", "return_flow") else role.measure
        if all(role.measure is None for role in roles.readings):
            return
    by_column = _column_units(roles)
    for role in list(roles.readings):
        if role.measure is not None or (roles.one("measure") is not None and role.position is None):
            continue
        answer = answers.get(f"measure:{role.column.name}")
        stated = {quantity_of(role.unit)} if role.unit is not None else by_column
        if answer in {one.value for one in Measure}:
            role.measure = answer
            role.why.append(f"{answer}, as answered")
        elif role.position not in (None, PUMP) and not stated - _COLLECTED:
            role.measure = Measure.RETURN_FLOW.value
            role.why.append("what is collected per cylinder is return flow")
        elif role.position not in (None, PUMP) and role.unit is not None and not stated & _COLLECTED:
            roles.used.remove(role)
            roles.unused.append((role.column, f'"{role.unit}" is no unit of return flow'))
        elif role.position not in (None, PUMP) and stated & _COLLECTED:
            role.measure = Measure.RETURN_FLOW.value
        elif stated and not stated - _COLLECTED:
            role.measure = Measure.RETURN_FLOW.value
            role.why.append("a volume or a rate is return flow")
        else:
            _ask_measure(roles, role, titles)
    for role in roles.readings:
        if role.measure in PUMPS and role.position is None and roles.one("position") is None:
            role.position = PUMP
    if (
        roles.one("what") is not None
        and roles.readings
        and all(role.measure == Measure.RETURN_FLOW for role in roles.readings)
    ):
        for role in roles.readings:
            role.measure = None
        draft.defaults["measure"] = (Measure.RETURN_FLOW.value, "what is collected per cylinder is return flow")


def _column_units(roles: Roles) -> set[str]:
    found: set[str] = set()
    unit_column, packed = roles.one("unit"), roles.one("what")
    if unit_column is not None:
        found |= {quantity_of(unit) for text in unit_column.column.told if (unit := unit_of(text)) is not None}
    elif packed is not None:
        words = [word for text in packed.column.told for word in text.split()]
        found |= {quantity_of(unit) for word in words if (unit := unit_of(word)) is not None} - {"time", "speed"}
    return found


def _ask_measure(roles: Roles, role: Role, titles: Titles) -> None:
    name = role.column.name
    hints = [
        f'row {row} says "{measure}"' if row else f'the name says "{measure}"'
        for measure, row in titles.measures.items()
    ]
    unit = f" in {role.unit}" if role.unit is not None else ""
    sentence = f'Which measure does the column "{name}" hold{unit}: return_flow, pump_peak, pump_rise or pump_hold?'
    answers = tuple(one.value for one in Measure)
    evidence = "; ".join(hints) or "no header and no title names one"
    roles.questions.append(LayoutQuestion(f"measure:{name}", "column", name, sentence, answers, evidence, True))


def ask_context(
    roles: Roles, draft: Draft, titles: Titles, settings: Settings, kind: str, answers: Mapping[str, str]
) -> None:
    """Propose defaults from the titles. They are written only when answered; until then each is one question."""
    if kind != "tests":
        return
    _temperature(roles, draft)
    named = roles.one("driven") or roles.one("protocol") or roles.one("what")
    driven_said = all(role.driven is not None for role in roles.readings) and bool(roles.readings)
    timed = roles.one("duration") or roles.one("what")
    timed_said = any(role.duration or (role.unit and "/" in role.unit) for role in roles.readings)
    protocol = answers.get("protocol")
    if protocol:
        draft.defaults["protocol"] = (protocol, "as answered")
    elif titles.protocols and named is None:
        _propose(roles, "protocol", titles.protocols, "protocol", tuple(settings.protocols))
    driven = answers.get("driven")
    if driven in {one.value for one in Driven}:
        draft.defaults["driven"] = (str(driven), "as answered")
    elif named is None and not driven_said and not titles.protocols and protocol is None and roles.readings:
        choices = tuple(one.value for one in Driven)
        speed = roles.one("speed")
        if titles.driven:
            _propose(roles, "driven", titles.driven, "way of driving", choices)
        elif (
            speed is not None
            and _speed_of(speed) == Driven.CRANK
            and all(role.measure in PUMPS for role in roles.readings)
        ):
            # a pump on a closed volume is tested with the starter, and the sheet records that speed
            draft.defaults["driven"] = (Driven.CRANK.value, f'the header "{speed.column.name}" says so')
        elif speed is not None and _speed_of(speed) is not None:
            said, name = _speed_of(speed), speed.column.name
            sentence = f'Is "{said}" the way of driving of every row of this sheet, as the header "{name}" says?'
            roles.questions.append(
                LayoutQuestion("driven", "driven", name, sentence, choices, "a header is a proposal only")
            )
        else:
            sentence = "How was the engine driven in the tests of this sheet: crank, idle, raised or bench?"
            roles.questions.append(
                LayoutQuestion("driven", "driven", "", sentence, choices, "no column and no title says")
            )
    if answers.get("duration"):
        draft.defaults["duration"] = (answers["duration"], "as answered")
    elif titles.durations and timed is None and not timed_said:
        _propose(roles, "duration", titles.durations, "duration", ())
    if answers.get("depot"):
        draft.defaults["depot"] = (answers["depot"], "as answered")
    elif titles.depots:
        _propose(roles, "depot", titles.depots, "depot", ())
    for role in roles.readings:
        if role.measure == Measure.PUMP_RISE and role.rise_to is None and roles.one("rise_to") is None:
            answer = answers.get(f"rise:{role.column.name}")
            if answer is not None and quantity_of(" ".join(answer.split()[1:])) == "pressure":
                role.rise_to = answer
                continue
            sentence = (
                f'Up to which pressure does the time in the column "{role.column.name}" run (for example "1000 bar")?'
            )
            evidence = "times to different pressures, or to the peak itself, are not comparable"
            roles.questions.append(
                LayoutQuestion(f"rise:{role.column.name}", "rise to", role.column.name, sentence, (), evidence)
            )


def _propose(roles: Roles, key: str, found: Mapping[str, int], what: str, choices: tuple[str, ...]) -> None:
    words = list(found)
    rows = ", ".join(f"row {row}" if row else "its name" for row in dict.fromkeys(found.values()))
    if len(words) == 1:
        sentence = f'Is "{words[0]}" the {what} of every row of this sheet, as {rows} says?'
    else:
        sentence = f"Which is the {what} of every row of this sheet: {', '.join(words)} ({rows})?"
    answers = tuple(dict.fromkeys((*words, *choices)))
    roles.questions.append(LayoutQuestion(key, key, "", sentence, answers, "a title is a proposal only"))


def _temperature(roles: Roles, draft: Draft) -> None:
    role = roles.one("fuel_temp")
    if role is None or roles.one("temp_kind") is not None:
        return
    words = plain(role.column.name).split()
    place = "coolant" if role.concept == "coolant_temp" else next((one for one in _PLACES if one in words), None)
    if place is not None:
        draft.defaults["temp_kind"] = (place, f'the header "{role.column.name}" says so')


def _speed_of(role: Role) -> str | None:
    """The way of driving in the header of a speed ("crank rpm", "Anlassdrehzahl" names none)."""
    table = lexicon().cells["driven"]
    return next((table[word] for word in plain(role.column.name).split() if word in table), None)
