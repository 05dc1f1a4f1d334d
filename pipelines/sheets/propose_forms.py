"""Dates and marks of all columns of a proposal together: what one column proves serves the others of a text file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import date

from pipelines.sheets.fields import DATES, QUANTITY
from pipelines.sheets.propose_cells import NUMBER
from pipelines.sheets.propose_dates import DateOrder, Witness, date_order
from pipelines.sheets.propose_marks import Marks, bodies, marks_of, resolved
from pipelines.sheets.propose_role import Role, Roles
from pipelines.sheets.propose_text import Draft

_WHOLE = frozenset({"odometer", "odometer_start", "meter_before", "meter_after", "engine_hours", "speed"})
_LATER = frozenset({"warranty_until", "leaves_on", "due_on", "valid_from"})


def find_forms(
    roles: Roles, draft: Draft, kind: str, *, workbook: bool, as_of: date, answers: Mapping[str, str]
) -> None:
    """Set decimal and thousands marks and date forms of every column, and of the file, or ask."""
    _marks(roles, draft, workbook, answers)
    _dates(roles, draft, kind, as_of, answers)


def _marks(roles: Roles, draft: Draft, workbook: bool, answers: Mapping[str, str]) -> None:
    numeric = [role for role in roles.used if role.field in QUANTITY or role.field in ("reading", "value")]
    found = {id(role): marks_of(role.column, workbook=workbook) for role in numeric}
    points = Counter(marks.decimal for marks in found.values() if marks.decimal)
    file_decimal = points.most_common(1)[0][0] if len(points) == 1 else ""
    for role in numeric:
        answer = answers.get(f"decimal:{role.column.name}")
        marks = found[id(role)]
        if marks.question is not None and answer in (".", ","):
            other = {".": ",", ",": "."}[answer]
            marks = Marks(answer, (other,), f'"{answer}" is the decimal mark, as answered')
        whole = role.field in _WHOLE
        marks = resolved(role.column, marks, file_decimal, workbook=workbook, answer=answer, whole=whole)
        found[id(role)] = marks
        if marks.question is not None:
            roles.questions.append(marks.question)
        if marks.proof:
            role.why.append(marks.proof)
    points = Counter(marks.decimal for marks in found.values() if marks.decimal)
    if points:
        draft.decimal = max(points, key=lambda sign: (points[sign], sign == "."))
        column = next(role.column for role in numeric if found[id(role)].decimal == draft.decimal)
        draft.decimal_proof = f'proven by the column "{column.name}"'
    else:
        draft.decimal_proof = "not proven: no number of this sheet has a decimal mark"
    if workbook and not points:
        draft.decimal_proof = "number cells of a workbook have the point"
    draft.thousands = tuple(
        dict.fromkeys(sign for marks in found.values() for sign in marks.thousands if sign not in ".,")
    )
    for role in numeric:
        marks = found[id(role)]
        groups = tuple(dict.fromkeys((*draft.thousands, *marks.thousands)))
        decimal = marks.decimal or draft.decimal
        if decimal in groups:  # the column has no decimal mark of its own, and the file's is its thousands mark
            decimal = "." if decimal == "," else ","
        role.decimal, role.thousands = decimal, groups


def _dates(roles: Roles, draft: Draft, kind: str, as_of: date, answers: Mapping[str, str]) -> None:
    dated = [role for role in roles.used if role.field in DATES]
    proven: dict[str, str] = {}
    orders: dict[int, DateOrder] = {}
    for again in (False, True):  # a second look at the open ones, with what the others prove
        for role in dated:
            if id(role) in orders and (orders[id(role)].question is None or not again):
                continue
            later = role.field in _LATER or kind in ("visits", "stock")
            orders[id(role)] = date_order(
                role.column,
                as_of=as_of,
                future=later,
                witnesses=_witnesses(roles, role) if role.field == "date" else (),
                answer=answers.get(f"dates:{role.column.name}"),
                agreed=proven,
            )
            order = orders[id(role)]
            if order.question is None and order.order:
                proven.setdefault(order.sign, order.order)
    for role in dated:
        order = orders[id(role)]
        if order.question is not None:
            roles.questions.append(order.question)
        role.formats = order.formats
        role.why.append(order.proof)
    told = Counter(role.formats for role in dated if role.formats)
    if told:
        draft.formats = told.most_common(1)[0][0]


def _witnesses(roles: Roles, role: Role) -> list[Witness]:
    texts = role.column.cells()
    vehicle, meter = roles.one("vehicle"), roles.one("odometer")
    names = vehicle.column.cells() if vehicle is not None else [""] * len(texts)
    meters = meter.column.cells() if meter is not None else [""] * len(texts)
    sizes = {} if meter is None else {text: _size(body) for body, text in bodies(meter.column).items()}
    return [(text, name, _meter(cell, sizes)) for text, name, cell in zip(texts, names, meters, strict=False)]


def _meter(cell: str, sizes: dict[str, float]) -> float:
    if cell in sizes:
        return sizes[cell]
    found = NUMBER.fullmatch(cell)
    return float("nan") if found is None else _size(found.group(2).strip())


def _size(body: str) -> float:
    """A meter reading without its marks: only its rise counts, and decimals of a meter are rare and short."""
    whole = body
    for sign in ".,":
        head, _, tail = body.rpartition(sign)
        if head and len(tail) != 3:
            whole = head
    digits = "".join(sign for sign in whole if sign.isdecimal())
    return float(digits) if digits else float("nan")
