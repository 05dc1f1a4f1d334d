"""The decimal and thousands marks of a column, with their proof; where nothing proves them, a question."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass

from pipelines.sheets.propose_cells import NUMBER, Column
from pipelines.sheets.propose_question import LayoutQuestion

_BLANKS = " \u00a0\u202f\u2009"
_APOSTROPHES = "'’"
_NEAR = math.log10(20.0)  # agrees with the column's other numbers
_FAR = math.log10(30.0)  # does not


@dataclass(frozen=True, slots=True)
class Marks:
    """How a column writes numbers. `decimal` is "" where no cell has a decimal mark."""

    decimal: str = ""
    thousands: tuple[str, ...] = ()
    proof: str = ""
    open_sign: str = ""
    example: str = ""
    question: LayoutQuestion | None = None


@dataclass(frozen=True, slots=True)
class _Written:
    decimal: str = ""
    thousands: str = ""
    unclear: str = ""
    value: float = math.nan


def read_body(body: str) -> _Written | None:
    """Return what one written number proves: a mark, nothing, or a sign that can be either; None: no number."""
    signs = [sign for sign in body if not sign.isdecimal()]
    if not signs:
        return _Written(value=float(body))
    points = [sign for sign in signs if sign in ".,"]
    groups = [sign for sign in signs if sign not in ".,"]
    if len(points) > 1 and len(set(points)) == 2:
        if points.count(points[-1]) > 1:
            return None
        groups, points = groups + points[:-1], points[-1:]
    elif len(points) > 1 or (
        len(points) == 1 and groups and body.rindex(points[0]) < max(body.rindex(one) for one in groups)
    ):
        groups, points = groups + points, []
    whole, _, fraction = body.rpartition(points[0]) if points else (body, "", "")
    if points and (not fraction.isdecimal() or any(not sign.isdecimal() for sign in fraction)):
        return None
    if groups:
        mark = groups[0]
        kinds = {" " if sign in _BLANKS else "'" if sign in _APOSTROPHES else sign for sign in groups}
        pieces = "".join(sign if sign.isdecimal() else " " for sign in whole).split(" ")
        if len(kinds) > 1 or not 1 <= len(pieces[0]) <= 3 or any(len(piece) != 3 for piece in pieces[1:]):
            return None
        mark = " " if mark in _BLANKS else "'" if mark in _APOSTROPHES else mark
        return _Written(
            points[0] if points else "", mark, value=float("".join(pieces) + (f".{fraction}" if points else ""))
        )
    if len(fraction) == 3 and 1 <= len(whole) <= 3 and not whole.startswith("0"):
        return _Written(unclear=points[0], value=float(f"{whole}.{fraction}"))
    return _Written(points[0], value=float(f"{whole or 0}.{fraction}"))


def bodies(column: Column) -> dict[str, str]:
    """Return the digits and marks of every number of a column, with the cell they stand in."""
    found: dict[str, str] = {}
    for text in column.every():
        number = NUMBER.fullmatch(text)
        if number is not None:
            found.setdefault(number.group(2).strip(_BLANKS), text)
    return found


def marks_of(column: Column, *, workbook: bool) -> Marks:
    """Look at one column alone.

    In a workbook a number cell has the point as its decimal mark whatever its texts use, so a point there proves
    nothing and its plain reading is the first.
    """
    decimals: dict[str, str] = {}
    thousands: dict[str, str] = {}
    unclear: dict[str, dict[str, float]] = {}
    neutral: list[float] = []
    for body, text in bodies(column).items():
        read = read_body(body)
        if read is None:
            continue
        if read.unclear:
            unclear.setdefault(read.unclear, {})[text] = read.value
            continue
        if read.decimal and not (workbook and read.decimal == "." and not read.thousands):
            decimals.setdefault(read.decimal, text)
        if read.thousands:
            thousands.setdefault(read.thousands, text)
        neutral.append(abs(read.value))
    told = [f'"{sign}" is the decimal mark: row {column.where(text)} ("{text}")' for sign, text in decimals.items()]
    told += [f'{_named(sign)} parts thousands: row {column.where(text)} ("{text}")' for sign, text in thousands.items()]
    both = set(decimals) & set(thousands)
    if len(decimals) > 1 or both:
        return _mixed(column, decimals, thousands)
    decimal = next(iter(decimals), "")
    groups = dict.fromkeys(thousands)
    for sign, cells in unclear.items():
        if sign == decimal:
            continue
        if sign in groups or (decimal and not workbook):
            groups[sign] = None
            told.append(
                f'"{sign}" parts thousands, because it is not the decimal mark' if sign not in thousands else ""
            )
            continue
        example = next(iter(cells))
        side = _agrees(list(cells.values()), neutral)
        if side == "thousands" and not (workbook and sign == "."):
            groups[sign] = None
            told.append(
                f'"{sign}" parts thousands: "{example}" (row {column.where(example)}) '
                "agrees with the other numbers only so"
            )
        elif side == "decimal":
            if not (workbook and sign == "."):
                decimal = sign
                told.append(
                    f'"{sign}" is the decimal mark: "{example}" (row {column.where(example)}) '
                    "agrees with the other numbers only so"
                )
        elif workbook and sign == "." and side != "thousands":
            continue  # a number cell
        else:
            return Marks(decimal, tuple(groups), "; ".join(filter(None, told)), sign, example)
    return Marks(decimal, tuple(groups), "; ".join(filter(None, told)))


def resolved(
    column: Column, marks: Marks, file_decimal: str, *, workbook: bool, answer: str | None, whole: bool
) -> Marks:
    """Settle a sign that the column alone leaves open: by an answer, or by the other columns of a text file.

    `whole` : the column counts whole things (a meter, rpm), so three decimals there are doubtful and asked about.
    """
    sign = marks.open_sign
    if not sign:
        return marks
    if answer in ("thousands", "decimal"):
        return _as(marks, sign, answer == "thousands", "as answered")
    if file_decimal and not workbook:
        if sign != file_decimal:
            return _as(marks, sign, True, f'"{file_decimal}" is the decimal mark of the other columns')
        if not whole:
            return _as(marks, sign, False, "it is the decimal mark of the other columns")
    one, other = marks.example, marks.example.replace(sign, "")
    sentence = (
        f'Does the "{sign}" in "{one}" (row {column.where(one)}, column "{column.name}") part thousands (so {other}) '
        "or is it the decimal mark?"
    )
    evidence = "no other number of the column has a mark or a size that tells"
    question = LayoutQuestion(
        f"decimal:{column.name}", "decimal mark", column.name, sentence, ("thousands", "decimal"), evidence, True
    )
    return Marks(marks.decimal, marks.thousands, marks.proof, sign, one, question)


def _as(marks: Marks, sign: str, thousands: bool, why: str) -> Marks:
    role = "parts thousands" if thousands else "is the decimal mark"
    proof = "; ".join(filter(None, [marks.proof, f'"{sign}" {role} ("{marks.example}"), {why}']))
    if thousands:
        return Marks(marks.decimal, (*marks.thousands, sign), proof)
    return Marks(sign, marks.thousands, proof)


def _agrees(unclear: list[float], neutral: list[float]) -> str:
    """Which reading of the unclear numbers has the size of the others: "thousands", "decimal" or ""."""
    sizes = [value for value in neutral if value > 0]
    if len(sizes) < 2:
        return ""
    middle = math.log10(statistics.median(sizes))
    small = [abs(math.log10(value) - middle) for value in unclear if value > 0]
    large = [abs(math.log10(value * 1000.0) - middle) for value in unclear if value > 0]
    if small and max(large) <= _NEAR and min(small) >= _FAR:
        return "thousands"
    if small and max(small) <= _NEAR and min(large) >= _FAR:
        return "decimal"
    return ""


def _mixed(column: Column, decimals: dict[str, str], thousands: dict[str, str]) -> Marks:
    shown = [
        f'row {column.where(text)} ("{text}")' for text in dict.fromkeys([*decimals.values(), *thousands.values()])
    ]
    sentence = (
        f'Which sign is the decimal mark in the column "{column.name}", '
        f"where {' and '.join(shown[:3])} contradict each other?"
    )
    answers = tuple(sorted(set(decimals) | {sign for sign in thousands if sign in ".,"}))
    question = LayoutQuestion(f"decimal:{column.name}", "decimal mark", column.name, sentence, answers, "", True)
    return Marks(question=question)


def _named(sign: str) -> str:
    return {" ": "a blank", "'": "an apostrophe"}.get(sign, f'"{sign}"')
