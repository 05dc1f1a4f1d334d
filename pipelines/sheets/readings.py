"""The readings of a sheet of tests, wide or long, as columns: one entry for each cell of a reading."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from pipelines.sheets.cells import Bools, Cells, Floats, Ints, constant, distinct, joined
from pipelines.sheets.checks import RULES, SENTINELS, Level
from pipelines.sheets.match import Mapped
from pipelines.sheets.packed import Packed, is_correction, unpack
from pipelines.sheets.table import SheetTable
from pipelines.sheets.values import Numbers, Status, date_suggestion, other_reading
from pipelines.sheets.vocabulary import measure_word, position_word
from wearlab.records import Measure

MEASURES: list[Measure] = list(Measure)
CODE: dict[Measure, int] = {measure: index for index, measure in enumerate(MEASURES)}

#: With more rows than this a note is stored once, with the number of rows.
NOTES_MOST = 1000


@dataclass(slots=True)
class Readings:
    """Readings-to-be of one sheet. Arrays have one entry a cell; `row` and `column` say which cell.

    `keep` : not set aside; `show` : kept out of models; `quality` : index into `qualities`.
    """

    table: SheetTable
    columns: list[Mapped]
    row: Ints
    column: Ints
    cells: Cells
    number: Numbers
    measure: Ints
    position: Cells
    unit_text: Cells
    stated_repeat: Ints
    duration: Floats
    keep: Bools
    show: Bools
    quality: Ints
    qualities: list[str] = field(default_factory=lambda: ["good"])

    def __len__(self) -> int:
        return len(self.row)

    def doubt(
        self,
        code: str,
        where: Bools,
        more: str | Sequence[str] = "",
        suggestion: Sequence[str | None] | None = None,
    ) -> None:
        """Apply a rule to readings; `more` and `suggestion` have one entry for each True of `where`."""
        if not where.any():
            return
        places = np.flatnonzero(where)
        rule = RULES[code]
        extra = [more] * len(places) if isinstance(more, str) else list(more)
        hints = [None] * len(places) if suggestion is None else list(suggestion)
        if self.table.findings.waived:
            chosen = np.flatnonzero(~self._accepted(code, places))
            places, extra, hints = places[chosen], [extra[k] for k in chosen], [hints[k] for k in chosen]
            where = np.zeros(len(self), dtype=np.bool_)
            where[places] = True
        if rule.level == Level.NOTE and len(places) > NOTES_MOST:
            total = len(places)
            places, hints = places[:1], hints[:1]
            extra = [f"{extra[0]} (and {total - 1} more cells)"]
        for index in np.unique(self.column[places]):
            chosen = np.flatnonzero(self.column[places] == index)
            self.table.findings.add(
                code,
                self.row[places[chosen]],
                column=self.columns[int(index)],
                cells=self.cells.at(places[chosen]),
                more=[extra[k] for k in chosen],
                suggestion=[hints[k] for k in chosen],
            )
        self._note(code, where)

    def doubt_rows(
        self,
        code: str,
        where: Bools,
        more: Callable[[int], str] | None = None,
        suggestion: Callable[[int], str | None] | None = None,
    ) -> None:
        """Apply a rule to whole rows through their readings: one remark a row, all of `where` marked.

        `more` gives what the sentence adds for a data row of the table, `suggestion` a likely correction.
        """
        where = where & self.keep
        waived = self.table.findings.waived.get((code, 0))
        if waived is not None:
            where &= ~np.isin(self.row, waived)
        rows = distinct(self.row[where])
        if len(rows):
            self.table.findings.add(
                code,
                rows,
                more="" if more is None else [more(int(row)) for row in rows],
                suggestion=None if suggestion is None else [suggestion(int(row)) for row in rows],
            )
            self._note(code, where)

    def _accepted(self, code: str, places: Ints) -> Bools:
        """Which of the readings at `places` a person accepted in spite of a rule."""
        found = np.zeros(len(places), dtype=np.bool_)
        for index, mapped in enumerate(self.columns):
            waived = self.table.findings.waived.get((code, mapped.index + 1))
            if waived is not None:
                found |= (self.column[places] == index) & np.isin(self.row[places], waived)
        return found

    def _note(self, code: str, where: Bools) -> None:
        level = RULES[code].level
        if level in (Level.CELL, Level.ROW):
            self.keep[where] = False
        elif level == Level.FLAG:
            if code not in self.qualities:
                self.qualities.append(code)
            self.quality[where & (self.quality == 0)] = self.qualities.index(code)
            self.show |= where


def gather(table: SheetTable) -> tuple[Readings, list[Packed] | None, Cells | None]:
    """Collect every reading cell of the live rows; unreadable, blank and spoiled cells are sorted out.

    Returns the readings, and for a packed column what its distinct texts say with the column itself.
    """
    columns = [*table.mapped("reading"), *table.mapped("value")]
    what = table.one("what")
    packed_cells = None if what is None else table.text("what")
    packed = None if packed_cells is None else packed_cells.each(unpack)
    live = table.live
    if packed is not None and packed_cells is not None:
        live = live & ~np.array([one.event for one in packed], dtype=np.bool_)[packed_cells.codes]
    rows = np.flatnonzero(live)
    count = len(rows)
    repeat = _row_repeat(table)
    parts: list[tuple[Cells, Numbers, Ints, Cells, Cells, Ints, Floats]] = []
    for mapped in columns:
        cells = table.cells(mapped).at(rows)
        own = mapped.column
        parts.append(
            (
                cells,
                table.figures(mapped).at(rows),
                _measures(table, mapped, packed, packed_cells)[rows],
                _positions(table, mapped).at(rows),
                _units(table, mapped, packed, packed_cells).at(rows),
                np.full(count, own.repeat, dtype=np.int64) if own.repeat else repeat[rows],
                np.full(count, table.fixed(own.duration, "time")),
            )
        )
    size = count * len(columns)
    made = Readings(
        table,
        columns,
        np.tile(rows, len(columns)),
        np.repeat(np.arange(len(columns)), count),
        joined([part[0] for part in parts]),
        _stacked([part[1] for part in parts]),
        np.concatenate([part[2] for part in parts]),
        joined([part[3] for part in parts]),
        joined([part[4] for part in parts]),
        np.concatenate([part[5] for part in parts]),
        np.concatenate([part[6] for part in parts]),
        np.ones(size, dtype=np.bool_),
        np.zeros(size, dtype=np.bool_),
        np.zeros(size, dtype=np.int64),
    )
    _sort_out(made, packed, packed_cells)
    return made, packed, packed_cells


def _sort_out(made: Readings, packed: list[Packed] | None, packed_cells: Cells | None) -> None:
    table, status = made.table, made.number.status
    missing = status == Status.NOT_MEASURED
    made.keep[missing] = False
    made.doubt("spoiled", status == Status.SPOILED)
    made.keep[status == Status.SPOILED] = False
    typed = np.zeros(len(made), dtype=np.bool_)
    for index, mapped in enumerate(made.columns):
        flags = table.typed(mapped)
        if flags is not None:
            here = made.column == index
            typed[here] = flags[made.row[here]]
    _turned_dates(made, typed)
    unreadable = made.keep & (status == Status.UNREADABLE)
    if unreadable.any():
        style = table.style(made.columns[0])
        others = [other_reading(text, style) for text in made.cells.at(unreadable).objects()]
        made.doubt("unreadable", unreadable, f' with the decimal mark "{style.decimal}"', others)
    made.doubt("sentinel", made.keep & np.isin(made.number.value, SENTINELS))
    if packed is not None and packed_cells is not None:
        other = np.array([bool(one.other) for one in packed], dtype=np.bool_)[packed_cells.codes][made.row]
        made.doubt("other_quantity", made.keep & other, "a correction or delivery quantity")
    unknown = made.keep & (made.measure < 0)
    if unknown.any():
        named = table.one("measure")
        if named is not None:
            words = table.cells(named).at(made.row[unknown]).objects()
            corrections = np.array([is_correction(str(word)) for word in words], dtype=np.bool_)
            places = np.flatnonzero(unknown)
            other = np.zeros(len(made), dtype=np.bool_)
            other[places[corrections]] = True
            made.doubt("other_quantity", other, "a correction or delivery quantity")
            unknown &= ~other
            more = [f' (the measure is given as "{word}")' for word in words[~corrections]]
            made.doubt("unknown_word", unknown, more)
        else:
            made.doubt("unknown_word", unknown, " (no measure is given)")
    pump = np.isin(made.measure, [CODE[m] for m in (Measure.PUMP_PEAK, Measure.PUMP_RISE, Measure.PUMP_HOLD)])
    rig = made.measure == CODE[Measure.RIG_CHECK]
    codes, texts = made.position.codes.copy(), list(made.position.texts)
    if "pump" not in texts:
        texts.append("pump")
    codes[(pump | rig) & made.position.blank] = texts.index("pump")
    made.position = Cells(codes, texts)
    made.doubt("no_position", made.keep & made.position.blank)


def _turned_dates(made: Readings, typed: Bools) -> None:
    """Cells that a spreadsheet made a date, typed as one or written like "12-Mar"; what they were is suggested."""
    unreadable = made.keep & (made.number.status == Status.UNREADABLE)
    codes = np.unique(made.cells.codes[unreadable | typed])
    said = {int(code): date_suggestion(made.cells.texts[code]) for code in codes}
    spelled = np.array([said.get(int(code)) is not None for code in made.cells.codes[unreadable]], dtype=np.bool_)
    turned = made.keep & typed
    turned[np.flatnonzero(unreadable)[spelled]] = True
    made.doubt("turned_date", turned, suggestion=[said[int(code)] for code in made.cells.codes[turned]])


def _row_repeat(table: SheetTable) -> Ints:
    mapped = table.one("repeat")
    if mapped is None:
        return np.zeros(table.size, dtype=np.int64)

    def number(text: str) -> float:
        digits = "".join(sign for sign in text if sign.isdecimal())
        return float(digits) if digits and len(digits) <= 3 else 0.0

    return table.cells(mapped).floats(number).astype(np.int64)


def _measures(table: SheetTable, mapped: Mapped, packed: list[Packed] | None, packed_cells: Cells | None) -> Ints:
    if mapped.column.measure is not None:
        return np.full(table.size, CODE[mapped.column.measure], dtype=np.int64)
    default = table.layout.defaults.measure
    fallback = -1 if default is None else CODE[default]
    if table.one("measure") is not None:
        cells = table.text("measure")
        found = cells.each(measure_word)
        return np.array([-1 if one is None else CODE[one] for one in found], dtype=np.int64)[cells.codes]
    if packed is not None and packed_cells is not None:
        said = [fallback if one.measure is None else CODE[one.measure] for one in packed]
        return np.array(said, dtype=np.int64)[packed_cells.codes]
    return np.full(table.size, fallback, dtype=np.int64)


def _positions(table: SheetTable, mapped: Mapped) -> Cells:
    cylinder = table.layout.positions.cylinder
    if mapped.column.position is not None:
        return constant(cylinder(position_word(mapped.column.position)) or "", table.size)
    if table.one("position") is None and table.layout.defaults.position is None:
        return constant("", table.size)
    return table.text("position").words(lambda text: cylinder(position_word(text)))


def _units(table: SheetTable, mapped: Mapped, packed: list[Packed] | None, packed_cells: Cells | None) -> Cells:
    if mapped.column.unit is not None:
        return constant(mapped.column.unit, table.size)
    if packed is not None and packed_cells is not None and any(one.unit for one in packed):
        return Cells(packed_cells.codes, [one.unit for one in packed]).words(str)
    return table.text("unit")


def _stacked(parts: list[Numbers]) -> Numbers:
    return Numbers(
        np.concatenate([part.status for part in parts]),
        np.concatenate([part.value for part in parts]),
        np.concatenate([part.bound for part in parts]),
        np.concatenate([part.step for part in parts]),
        np.concatenate([part.scientific for part in parts]),
        joined([part.units for part in parts]),
        joined([part.marks for part in parts]),
    )
