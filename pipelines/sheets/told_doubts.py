"""What remarks and titles tell of the order of cylinders and of events: asked about, never obeyed."""

from __future__ import annotations

from itertools import chain

import numpy as np

from pipelines.sheets.cells import Bools, Cells
from pipelines.sheets.context import Context
from pipelines.sheets.converted import Converted
from pipelines.sheets.hints import Hint, hint
from pipelines.sheets.questions import Question
from pipelines.sheets.readings import CODE, Readings
from pipelines.sheets.replies import NO
from wearlab.records import PUMP, SET, Measure

_FLOW = CODE[Measure.RETURN_FLOW]


def ask_told(readings: Readings, made: Converted, context: Context, questions: list[Question]) -> None:
    """Ask about every remark that tells of another order of cylinders or of an event, and about such a title."""
    numbered = readings.table.layout.positions
    for code, one in enumerate(made.hints):
        order = bool(one.order or one.numbering) and not numbered.firing_order and numbered.from_other_end is None
        if not order and not one.event:
            continue
        here = readings.keep & (made.notes.codes[readings.row] == code)
        for row in np.unique(readings.row[here]):
            key = context.vehicle.texts[context.vehicle.codes[row]]
            day = context.day[row]
            if order:
                _ask_order(readings, context, questions, one, int(row))
            if one.event and context.known.reply("event", f"{key} {day}") is None:
                readings.table.findings.add("event_told", np.array([row]), more=one.event)
                questions.append(Question("event", f"{key} {day}", f"Was there {one.event} at {key}?", 0))
    named = context.known.reply("numbering", readings.table.layout.name) is not None
    if not named and not numbered.firing_order and numbered.from_other_end is None:
        _ask_titles(readings, questions)


def _ask_order(readings: Readings, context: Context, questions: list[Question], one: Hint, row: int) -> None:
    table = readings.table
    flow = readings.keep & (readings.measure == _FLOW)
    if table.one("position") is None:
        cells = flow & (readings.row == row)
    else:  # one reading a row: the remark speaks of the whole set of the visit
        same = (context.vehicle.codes == context.vehicle.codes[row]) & (context.day == context.day[row])
        cells = flow & same[readings.row]
    if not cells.any():
        return
    key, day = context.vehicle.texts[context.vehicle.codes[row]], context.day[row]
    said = context.known.reply("order", f"{key} {day}")
    if said is not None and (said == NO or _reorder(readings, cells, said.split("-"))):
        return
    order = "-".join(one.order)
    both = _both(readings, cells, one.order)
    if both is not None:
        readings.doubt_rows("written_order", cells, lambda _: order, lambda _: both)
        sentence = f"Were the readings of {key} on {day} written in the order {order}? Then {both}."
    elif one.order:
        readings.doubt_rows("order_unclear", cells, lambda _: order)
        sentence = (
            f"In which order were the readings of {key} on {day} written? {order} does not name each cylinder once."
        )
    else:
        readings.doubt_rows("numbering_told", cells, lambda _: one.numbering)
        sentence = f"In which order were the readings of {key} on {day} written? The remark speaks of {one.numbering}."
    questions.append(Question("order", f"{key} {day}", sentence, int(np.count_nonzero(cells))))


def _reorder(readings: Readings, cells: Bools, order: list[str]) -> bool:
    """Give the readings of a set the cylinders that a person said; False where the order does not fit the set."""
    codes, texts = readings.position.codes.copy(), list(readings.position.texts)
    written = sorted({texts[code] for code in codes[cells]} - {PUMP, SET}, key=int)
    if sorted(order, key=int) != written:
        return False
    meant = dict(zip(written, order, strict=True))
    moved = [meant.get(text, text) for text in texts]
    for text in moved:
        if text not in texts:
            texts.append(text)
    places = {text: place for place, text in enumerate(texts)}
    table = np.array([places[text] for text in moved] + [0] * (len(texts) - len(moved)), dtype=np.int64)
    codes[cells] = table[codes[cells]]
    readings.position = Cells(codes, texts)
    return True


def _both(readings: Readings, cells: Bools, order: tuple[str, ...]) -> str | None:
    """Both readings of a set as one phrase; None where the order does not name each of its cylinders once."""
    places = np.flatnonzero(cells)
    positions = [readings.position.texts[code] for code in readings.position.codes[places]]
    texts = [readings.cells.texts[code] for code in readings.cells.codes[places]]
    written = dict(zip(positions, texts, strict=True))
    if len(written) != len(places) or sorted(order) != sorted(written) or not all(one.isdecimal() for one in written):
        return None
    numbers = sorted(written, key=int)
    meant = {cylinder: written[place] for place, cylinder in zip(numbers, order, strict=True)}
    moved, plain = (", ".join(one[number] for number in numbers) for one in (meant, written))
    return f"cylinders {numbers[0]} to {numbers[-1]} read {moved} instead of {plain}"


def _ask_titles(readings: Readings, questions: list[Question]) -> None:
    """A line above the header that speaks of another numbering is asked about once for the whole layout."""
    table = readings.table
    above = table.sheet.rows[: table.match.header]
    said = next(
        (one for text in chain.from_iterable(above) if (one := hint(text.strip()[:200])).numbering or one.order), None
    )
    flow = readings.keep & (readings.measure == _FLOW)
    if said is None or not flow.any():
        return
    readings.show |= flow
    told = said.numbering or f"the order {'-'.join(said.order)}"
    sentence = f'In which order are the cylinders of "{table.layout.name}"? A line above the header speaks of {told}.'
    questions.append(Question("numbering", table.layout.name, sentence, int(np.count_nonzero(flow))))
