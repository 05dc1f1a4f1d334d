"""Which columns of a sheet of tests hold readings: cylinders, runs, the pump's three measures, totals."""

from __future__ import annotations

from collections.abc import Mapping

from pipelines.sheets.propose_cells import position_word
from pipelines.sheets.propose_kind import PUMPS, Candidate
from pipelines.sheets.propose_question import LayoutQuestion, listed
from pipelines.sheets.propose_role import Role, Roles, take
from wearlab.records import PUMP, SET, Measure

_SUMS = 0.8
_RUNS_MOST = 3  # common practice: a test is run two or three times, so columns numbered up to 4 or more are cylinders


def find_readings(roles: Roles, free: list[Candidate], answers: Mapping[str, str]) -> None:
    numbered = [one for one in free if one.header.cylinder is not None and _holds_figures(one)]
    long = any(one.meanings and one.meanings[0][0] == "position" for one in free)
    bare = [one for one in numbered if not one.header.marked]
    runs = answers.get("column:numbers")
    if bare and (long or runs == "runs"):
        for one in bare:
            role = take(roles, free, one, "reading", "return_flow", "a run by its number")
            role.repeat, role.measure, role.driven = one.header.cylinder, None, one.header.driven
        numbered = [one for one in numbered if one.header.marked]
    elif bare and runs != "cylinders" and max(one.header.cylinder or 0 for one in bare) <= _RUNS_MOST:
        names = [one.column.name for one in bare]
        sentence = f"Do the columns {listed(names, joint='and')} hold cylinders or runs of the same test?"
        roles.questions.append(
            LayoutQuestion(
                "column:numbers",
                "column",
                names[0],
                sentence,
                ("cylinders", "runs"),
                "only their numbers stand in the header, and a test can be run so often",
                True,
            )
        )
    for one in numbered:
        role = take(roles, free, one, "reading", "cylinder", "")
        role.position, role.repeat = str(one.header.cylinder), one.header.run
        role.driven, role.duration = one.header.driven, one.header.duration
        if one.score("return_flow"):
            role.measure = Measure.RETURN_FLOW.value
    if long:
        for one in [one for one in free if one.header.run is not None and _holds_figures(one)]:
            role = take(roles, free, one, "reading", "value", f"run {one.header.run}")
            role.repeat = one.header.run
    wide = [role for role in roles.used if role.field == "reading" and role.position]
    for one in list(free):
        best = one.meanings[0][0] if one.meanings else ""
        if best == "mean" or (best == "total" and wide and _is_sum(one, wide)):
            roles.unused.append((one.column, "calculated from the readings beside it"))
            free.remove(one)
        elif best == "correction":
            roles.unused.append((one.column, "a correction is another quantity than return flow"))
            free.remove(one)
        elif best == "total" and _holds_figures(one):
            role = take(roles, free, one, "reading", "total", "the whole engine together")
            role.position, role.measure = SET, Measure.RETURN_FLOW.value
            role.duration = one.header.duration
        elif best in PUMPS and _holds_figures(one):
            role = take(roles, free, one, "reading", best, "")
            role.position, role.measure, role.duration = PUMP, best, one.header.duration
            role.rise_to = one.header.pressure if best == Measure.PUMP_RISE else None
        elif best == "return_flow" and _holds_figures(one):
            role = take(roles, free, one, "value", "return_flow", "")
            role.measure, role.duration, role.driven = Measure.RETURN_FLOW.value, one.header.duration, one.header.driven


def _holds_figures(one: Candidate) -> bool:
    return one.column.empty or one.column.figures >= 0.5 or (one.column.figures > 0 and one.column.typed == 0)


def _is_sum(total: Candidate, parts: list[Role]) -> bool:
    sums = rows = 0
    columns = [part.column.cells(500) for part in parts]
    for row, text in enumerate(total.column.cells(500)):
        whole = _number(text)
        values = [_number(cells[row]) for cells in columns if cells[row]]
        if whole is None or not values or any(value is None for value in values):
            continue
        rows += 1
        sums += abs(sum(value for value in values if value is not None) - whole) <= 0.051 * max(1, len(values)) / 2
    return rows > 0 and sums >= _SUMS * rows


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def long_position(roles: Roles, answers: Mapping[str, str]) -> None:
    """A value without a position: a pump's needs none, any other is asked about."""
    if roles.one("position") is not None:
        return
    for role in roles.readings:
        pump = role.measure in PUMPS
        if role.position is not None or pump:
            continue
        answer = answers.get(f"position:{role.column.name}")
        found = position_word(answer) if answer else None
        if found is not None:
            role.position = found
            role.why.append(f"position {found}, as answered")
            continue
        sentence = f'Of which cylinder are the readings in the column "{role.column.name}" (a number, "set" or "pump")?'
        roles.questions.append(
            LayoutQuestion(
                f"position:{role.column.name}",
                "column",
                role.column.name,
                sentence,
                (),
                "no column and no header names the cylinder",
                True,
            )
        )
