"""The order of day, month and year of a column, with its proof; where nothing proves it, a question."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import pairwise

from pipelines.sheets.checks import FIRST_YEAR
from pipelines.sheets.propose_cells import Column, is_date
from pipelines.sheets.propose_question import LayoutQuestion

_SHAPE = re.compile(r"(\d{1,4})([-/.])(\d{1,2})\2(\d{1,4})(?:([ T])(\d{1,2}:\d{2})(:\d{2})?(\.\d+)?)?")
_NAMED = re.compile(r"\d{1,2}([ .-]{1,2})([^\W\d_]+)(\.?)([ .-]{1,2})(\d{4}|\d{2})")
_ORDERS = {"day first": "%d{0}%m{0}{1}", "month first": "%m{0}%d{0}{1}", "year first": "{1}{0}%m{0}%d"}
_SLIPS = 0.05  # rows against an order, as a share of the rows that prove it: slips, which the loader sets aside
_LEAST_ROWS = 6  # rows whose rising dates count as evidence

#: (row number, text) of a date, with the vehicle and the meter beside it where they are known.
Witness = tuple[str, str, float]


@dataclass(frozen=True, slots=True)
class DateOrder:
    """Declared forms of a column and what proves them; `order` is "" where no order had to be proven."""

    formats: tuple[str, ...]
    proof: str
    order: str = ""
    sign: str = ""
    question: LayoutQuestion | None = None


def date_order(
    column: Column,
    *,
    as_of: date,
    future: bool = False,
    witnesses: Sequence[Witness] = (),
    answer: str | None = None,
    agreed: dict[str, str] | None = None,
) -> DateOrder:
    """Find the forms of a column of dates.

    Parameters
    ----------
    as_of : a test after it cannot be, so such a reading of a date is ruled out.
    future : whether later dates are in order (appointments, expected deliveries).
    witnesses : text, vehicle and meter reading row by row: meters rise with time.
    answer : "day first", "month first" or "year first", given by a person.
    agreed : order proven by other columns of the same sheet, by the sign between the parts.
    """
    texts = [text for text in column.every() if is_date(text)]
    groups: dict[tuple[str, bool, str], list[str]] = {}
    formats: list[str] = []
    notes: list[str] = []
    for text in texts:
        shape = _SHAPE.fullmatch(text)
        if shape is None:
            made = _other_form(text)
            if made is not None and made not in formats:
                formats.append(made)
            continue
        first, sign, _, last, gap, _, seconds, fraction = shape.groups()
        if len(first) == 4:
            made = f"%Y{sign}%m{sign}%d" + ("" if sign == "-" else _clock(gap, seconds, fraction))
            if made not in formats:
                formats.append(made)
            continue
        groups.setdefault((sign, len(last) == 4, _clock(gap, seconds, fraction)), []).append(text)
    order = sign_of = ""
    for (sign, long, clock), group in groups.items():
        found = _group(column, group, sign, long, clock, as_of, future, witnesses, answer, (agreed or {}).get(sign))
        if found.question is not None:
            return found
        formats.extend(form for form in found.formats if form not in formats)
        notes.append(found.proof)
        order, sign_of = found.order or order, found.sign or sign_of
    strange = [text for text in texts if _SHAPE.fullmatch(text) is None and _other_form(text) is None]
    if strange and not formats:
        sentence = (
            f'The dates in the column "{column.name}" ("{strange[0]}", row {column.where(strange[0])}) name the month '
            "in a way that is not read: write them with numbers, best as year-month-day."
        )
        return DateOrder(
            (), "", question=LayoutQuestion(f"dates:{column.name}", "date order", column.name, sentence, (), "", True)
        )
    if column.typed and "%Y-%m-%d" not in formats:
        formats.append("%Y-%m-%d")
    if not formats:
        return DateOrder(("%Y-%m-%d",), "no date to look at: year-month-day is expected")
    proof = "; ".join(notes) or (
        "dates with the year first" if not column.typed else "cells that the workbook types as dates"
    )
    return DateOrder(tuple(formats), proof, order, sign_of)


def _clock(gap: str | None, seconds: str | None, fraction: str | None) -> str:
    if gap is None:
        return ""
    return f"{gap}%H:%M" + (":%S" if seconds else "") + (".%f" if fraction else "")


def _other_form(text: str) -> str | None:
    if text.isdecimal():
        return "%Y%m%d"
    named = _NAMED.fullmatch(text)
    if named is None:
        return None
    first, _, point, second, year = named.groups()
    for month in ("%b", "%B"):
        made = f"%d{first}{month}{point}{second}{'%Y' if len(year) == 4 else '%y'}"
        try:
            datetime.strptime(text, made)
        except ValueError:
            continue
        return made
    return None


def _group(
    column: Column, texts: list[str], sign: str, long: bool, clock: str, as_of: date, future: bool,
    witnesses: Sequence[Witness], answer: str | None, agreed: str | None,
) -> DateOrder:  # fmt: skip
    """Decide one shape of dates (sign between the parts, length of the year)."""
    names = ["day first", "month first"] if long else ["day first", "month first", "year first"]
    forms = {name: _ORDERS[name].format(sign, "%Y" if long else "%y") + clock for name in names}
    if answer in forms:
        return DateOrder((forms[str(answer)],), f"{answer}, as answered", str(answer), sign)
    ruled_out: dict[str, list[str]] = {name: [] for name in names}
    values: dict[str, dict[str, date]] = {name: {} for name in names}
    for text in texts:
        read = {name: day for name in names if (day := _possible(text, forms[name], as_of, future)) is not None}
        for name, day in read.items():
            values[name][text] = day
        if read:
            for name in names:
                if name not in read:
                    ruled_out[name].append(text)
    least = min(len(against) for against in ruled_out.values())
    kept = [name for name in names if len(ruled_out[name]) == least]
    rivals = [name for name in names if name not in kept]
    proofs = min((len(ruled_out[name]) for name in rivals), default=0)
    if sign == "." and "day first" in kept and least == 0:
        row = f", proven by row {column.where(ruled_out['month first'][0])}" if ruled_out["month first"] else ""
        return DateOrder((forms["day first"],), f"dotted dates are written day first{row}", "day first", sign)
    if len(kept) == 1 and least <= _SLIPS * proofs:
        shown = dict.fromkeys(ruled_out[name][0] for name in rivals)
        rows = " and ".join(f'row {column.where(text)} ("{text}")' for text in shown)
        slips = f"; {least} that fit only another order are set aside" if least else ""
        return DateOrder((forms[kept[0]],), f"{kept[0]}, proven by {rows}{slips}", kept[0], sign)
    if least:
        against_all = [
            f'row {column.where(against[0])} ("{against[0]}") rules out {name}'
            for name, against in ruled_out.items()
            if against
        ]
        return _asked(column, texts, names, forms, "the rows contradict each other: " + ", ".join(against_all))
    if all(values[name] == values[kept[0]] for name in kept):
        both = "all its dates read the same either way; a later date that does not is set aside"
        return DateOrder(tuple(forms[name] for name in kept), both)
    if agreed in kept:
        return DateOrder((forms[str(agreed)],), f"{agreed}, as another column of the sheet proves", str(agreed), sign)
    for name in kept:
        others = [values[other] for other in kept if other != name]
        told = _agreement(values[name], others, witnesses)
        if told:
            return DateOrder((forms[name],), f"{name}: {told}", name, sign)
    return _asked(
        column, texts, kept, forms, "no row fits one order only, and the meter and the order of the rows do not tell"
    )


def _possible(text: str, form: str, as_of: date, future: bool) -> date | None:
    try:
        day = datetime.strptime(text, form).date()
    except ValueError:
        return None
    return day if day.year >= FIRST_YEAR and (future or day <= as_of) else None


def _agreement(own: dict[str, date], others: list[dict[str, date]], witnesses: Sequence[Witness]) -> str:
    """Say in which respect only one reading agrees with the rest of the sheet; "" when in none."""
    tests: tuple[tuple[str, Callable[[dict[str, date]], tuple[int, int]]], ...] = (
        ("only so does every vehicle's meter rise with time", lambda read: _meter_falls(read, witnesses)),
        ("only so do the rows stand in the order of their dates", lambda read: _descents(read, witnesses)),
    )
    for told, count in tests:
        pairs, falls = count(own)
        if pairs >= _LEAST_ROWS - 1 and falls == 0 and all(count(other)[1] >= 2 for other in others):
            return told
    return ""


def _meter_falls(read: dict[str, date], witnesses: Iterable[Witness]) -> tuple[int, int]:
    series: dict[str, list[tuple[float, date]]] = {}
    for text, vehicle, meter in witnesses:
        if vehicle and meter == meter and text in read:
            series.setdefault(vehicle, []).append((meter, read[text]))
    pairs = falls = 0
    for points in series.values():
        points.sort(key=lambda point: point[0])
        for before, after in pairwise(points):
            if after[0] > before[0]:
                pairs += 1
                falls += after[1] < before[1]
    return pairs, falls


def _descents(read: dict[str, date], witnesses: Iterable[Witness]) -> tuple[int, int]:
    days = [read[text] for text, _, _ in witnesses if text in read]
    steps = [(before, after) for before, after in pairwise(days) if before != after]
    return len(steps), sum(after < before for before, after in steps)


def _asked(column: Column, texts: list[str], names: list[str], forms: dict[str, str], why: str) -> DateOrder:
    example = next((text for text in texts if _differs(text, names, forms)), texts[0])
    readings = [
        f"{name} ({day.isoformat()})"
        for name in names
        if (day := _possible(example, forms[name], date.max, True)) is not None
    ]
    told = " or ".join(readings or names)
    sentence = f'Is "{example}" (row {column.where(example)}) in the column "{column.name}" {told}?'
    key = f"dates:{column.name}"
    return DateOrder(
        (), why, question=LayoutQuestion(key, "date order", column.name, sentence, tuple(names), why, True)
    )


def _differs(text: str, names: list[str], forms: dict[str, str]) -> bool:
    read = {_possible(text, forms[name], date.max, True) for name in names}
    return len(read - {None}) > 1
