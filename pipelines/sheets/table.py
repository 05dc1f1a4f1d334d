"""A sheet under its layout: data rows as columns, what is structure, and the columns all kinds share."""

from __future__ import annotations

import re
from datetime import date

import numpy as np
import pandas as pd

from pipelines.sheets.cells import Bools, Cells, Floats, Ints, cells_of, column_of, constant
from pipelines.sheets.checks import FIRST_YEAR, SENTINELS
from pipelines.sheets.dates import Dates, DateStatus, read_dates
from pipelines.sheets.fields import QUANTITY, USUAL_UNIT
from pipelines.sheets.findings import Findings, picked
from pipelines.sheets.known import Known
from pipelines.sheets.match import Mapped, Match
from pipelines.sheets.raw import CellSet, RawSheet
from pipelines.sheets.structure import blank_rows, repeated_headers, set_labels_aside
from pipelines.sheets.values import Numbers, Status, Style, date_suggestion, numbers, other_reading
from pipelines.sheets.vocabulary import cell_unit
from pipelines.sheets.words import fold, measured_unit
from wearlab.records import vehicle_key
from wearlab.units import BASE

#: An identifier that a spreadsheet took for a number.
_MANGLED = re.compile(r"\d(?:[.,]\d+)?E\+\d{1,3}|\d[.,]\d+E\d{1,3}", re.I | re.ASCII)


class SheetTable:
    """The data rows of one sheet (row 0 is the first below the header) with what was found about them."""

    def __init__(self, sheet: RawSheet, match: Match, *, workbook: bool, as_of: date) -> None:
        self.sheet = sheet
        self.match = match
        self.layout = match.layout
        self.workbook = workbook
        self.as_of = as_of
        self.rows = sheet.rows[match.first :]
        self.size = len(self.rows)
        self.findings = Findings(self.size)
        self.numbers: Ints = (
            np.arange(match.first + 1, len(sheet.rows) + 1, dtype=np.int64)
            if sheet.row_numbers is None
            else np.array(sheet.row_numbers[match.first :], dtype=np.int64)
        )
        self._cells: dict[int, Cells] = {}
        self._typed: dict[int, Bools] = _typed(sheet, match, self.size)
        #: Vehicles (or part numbers, or rigs) with their days that the sheet speaks of, copies included.
        self.touched = pd.DataFrame()
        #: Rows that are no data.
        self.structure: Bools = blank_rows(self) | repeated_headers(self)
        set_labels_aside(self)

    # ---- columns

    def mapped(self, field: str) -> list[Mapped]:
        """Return the columns that fill a field."""
        return [one for one in self.match.columns if one.column.field == field]

    def one(self, field: str) -> Mapped | None:
        """Return the column that fills a field, or None."""
        found = self.mapped(field)
        return found[0] if found else None

    def cells(self, mapped: Mapped) -> Cells:
        """Return the texts of a column."""
        index = mapped.index
        if index not in self._cells:
            self._cells[index] = cells_of(column_of(self.rows, index))
        return self._cells[index]

    def text(self, field: str) -> Cells:
        """Return the words of a text field (through the layout's `words`), its default, or blanks."""
        mapped = self.one(field)
        default = getattr(self.layout.defaults, field, None)
        if mapped is None:
            return constant("" if default is None else str(default), self.size)
        words = {fold(word): meaning for word, meaning in mapped.column.words.items()}
        fallback = "" if default is None else str(default)
        return self.cells(mapped).words(lambda text: words.get(fold(text), text) or fallback)

    def notes(self) -> Cells:
        """Return all note columns of a row as one text."""
        columns = self.mapped("note")
        if not columns:
            return constant("", self.size)
        if len(columns) == 1:
            return self.cells(columns[0])
        parts = [self.cells(column).objects() for column in columns]
        return cells_of(["; ".join(text for text in row if text) for row in zip(*parts, strict=True)])

    def style(self, mapped: Mapped) -> Style:
        """Return how numbers are written in a column."""
        column, file = mapped.column, self.layout.file
        return Style(
            column.decimal or file.decimal,
            file.thousands if column.thousands is None else column.thousands,
            self.workbook,
        )

    def figures(self, mapped: Mapped) -> Numbers:
        """Read a column of numbers; cells that the file typed as numbers have no marks of thousands."""
        typed = self.sheet.number_cells.column(mapped.index, self.match.first, self.size)
        return numbers(self.cells(mapped), self.style(mapped), typed)

    def typed(self, mapped: Mapped) -> Bools | None:
        """Return where the workbook itself says that a cell is a date; None where it nowhere does."""
        return self._typed.get(mapped.index)

    def days_of(self, mapped: Mapped) -> tuple[Dates, Ints]:
        """Return the days of a column, NaT where it has none, and how each cell was read (`DateStatus`)."""
        return read_dates(
            self.cells(mapped),
            self._formats(mapped),
            typed=self.typed(mapped),
            workbook=self.workbook,
            from_1904=self.sheet.from_1904,
        )

    @property
    def live(self) -> Bools:
        """Rows that are neither structure nor set aside so far."""
        return ~self.structure & ~self.findings.aside

    # ---- typed columns

    def quantity(self, field: str, *, least: float | None = None) -> Floats:
        """Return a numeric field in its base unit, NaN where it is unknown; what cannot be used is set aside.

        `least` : values below it are impossible (0 for all but temperatures).
        """
        mapped = self.one(field)
        if mapped is None:
            return np.full(self.size, self.fixed(getattr(self.layout.defaults, field, None), QUANTITY[field]))
        cells = self.cells(mapped)
        quantity = QUANTITY[field]
        found = self.figures(mapped)
        live = self.live
        own = mapped.column.unit or USUAL_UNIT.get(field, BASE[quantity])
        units = [cell_unit(text or own) for text in found.units.texts]
        fits = np.array(
            [one.quantity == quantity or {one.quantity, quantity} == {"time", "engine time"} for one in units]
        )
        hours = np.array([1 / 3600 if quantity == "engine time" and u.quantity == "time" else 1.0 for u in units])
        factor = np.array([one.factor for one in units]) * hours
        offset = np.array([one.offset for one in units])
        code = found.units.codes
        value = found.value * factor[code] + offset[code]
        value[found.status != Status.MEASURED] = np.nan
        typed = self.typed(mapped)
        turned = np.zeros(self.size, dtype=np.bool_) if typed is None else typed & (value != value)
        unreadable = live & (found.status == Status.UNREADABLE)
        if (turned | unreadable).any():
            self._unreadable(mapped, unreadable, live & turned, value)
        self._set_aside("bound_here", mapped, live & ((found.bound != 0) | (found.status == Status.BEYOND)), value)
        self._set_aside("wrong_quantity", mapped, live & ~fits[code], value, more=f"another quantity than {quantity}")
        self._set_aside("sentinel", mapped, live & np.isin(found.value, SENTINELS), value)
        if least is not None:
            with np.errstate(invalid="ignore"):
                self._set_aside("negative", mapped, live & (value < least), value)
        differs = live & ~np.isnan(value) & (found.units.floats(lambda text: _differs(text, own)) > 0)
        if differs.any():
            more = [f"{one:g} {BASE[quantity]}" for one in value[differs]]
            self.findings.add("converted", differs, column=mapped, cells=cells.at(differs), more=more)
        self.findings.add("scientific", live & found.scientific, column=mapped, cells=cells.at(live & found.scientific))
        return np.asarray(value, dtype=np.float64)

    def _unreadable(self, mapped: Mapped, unreadable: Bools, turned: Bools, value: Floats) -> None:
        """Set aside what is no number: cells that became dates apart, each with what it may have been."""
        cells = self.cells(mapped)
        said = {int(code): date_suggestion(cells.texts[code]) for code in np.unique(cells.codes[unreadable | turned])}
        spelled = np.zeros(self.size, dtype=np.bool_)
        spelled[unreadable] = [said[int(code)] is not None for code in cells.codes[unreadable]]
        dates = turned | spelled
        were = [said[int(code)] for code in cells.codes[dates]]
        self._set_aside("turned_date", mapped, dates, value, suggestion=were)
        rest = unreadable & ~dates
        style = self.style(mapped)
        others = {int(code): other_reading(cells.texts[code], style) for code in np.unique(cells.codes[rest])}
        self._set_aside("unreadable", mapped, rest, value, suggestion=[others[int(code)] for code in cells.codes[rest]])

    def fixed(self, text: str | None, quantity: str) -> float:
        """Return a layout's own value such as "60 s" in the base unit; NaN for none."""
        if text is None:
            return float("nan")
        found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(\D.*)?", text)
        if found is None:
            return float("nan")
        unit = measured_unit(found.group(2) or BASE[quantity])
        return float(found.group(1)) * unit.factor + unit.offset

    def dates(self, field: str) -> Dates:
        """Return another date field than the row's own; NaT where unknown, unusable ones set aside."""
        mapped = self.one(field)
        if mapped is None:
            return np.full(self.size, np.datetime64("NaT"), dtype="datetime64[D]")
        days, status = self.days_of(mapped)
        bad = self.live & np.isin(status, [DateStatus.UNREADABLE, DateStatus.IMPOSSIBLE, DateStatus.AMBIGUOUS])
        self.findings.add(
            "unreadable_day",
            bad,
            column=mapped,
            cells=self.cells(mapped).at(bad),
            more=", ".join(self._formats(mapped)),
        )
        return days

    def days(self) -> Dates:
        """Return the day of every row, NaT where it has none, without a word about those that cannot be used."""
        mapped = self.one("date")
        if mapped is None:
            return np.full(self.size, np.datetime64("NaT"), dtype="datetime64[D]")
        return self.days_of(mapped)[0]

    def row_dates(self, field: str = "date", *, future: bool = False) -> Dates:
        """Return the date of every row; rows without a possible date are set aside.

        `future` : whether dates after the as-of date are in order (planned visits).
        """
        mapped = self.one(field)
        if mapped is None:
            return np.full(self.size, np.datetime64("NaT"), dtype="datetime64[D]")
        days, status = self.days_of(mapped)
        cells, forms = self.cells(mapped), ", ".join(self._formats(mapped))
        year = np.datetime64(f"{FIRST_YEAR}-01-01")
        rules: list[tuple[str, Bools, str]] = [
            ("no_date", status == DateStatus.BLANK, ""),
            ("impossible_date", status == DateStatus.IMPOSSIBLE, ""),
            ("unreadable_date", status == DateStatus.UNREADABLE, forms),
            ("ambiguous_date", status == DateStatus.AMBIGUOUS, forms),
            ("early_date", days < year, ""),
        ]
        if not future:
            rules.append(("future_date", days > np.datetime64(self.as_of), self.as_of.isoformat()))
        for code, where, more in rules:
            rows = self.live & where
            self.findings.add(code, rows, column=mapped, cells=cells.at(rows), more=more)
        serial = self.live & (status == DateStatus.SERIAL)
        if serial.any():
            more_days = [str(day) for day in days[serial]]
            self.findings.add("serial_date", serial, column=mapped, cells=cells.at(serial), more=more_days)
        return days

    def vehicles(
        self, known: Known | None = None, day: Dates | None = None, *, needed: bool = True
    ) -> tuple[Cells, Cells]:
        """Return the vehicles as keys and as written; rows without one are set aside.

        `known` and `day` : aliases are replaced by the vehicle that had them on the row's day.
        """
        written = self.text("vehicle")
        keys = written.words(vehicle_key)
        if needed:
            rows = self.live & keys.blank
            self.findings.add("no_vehicle", rows, column=self.one("vehicle"), cells=written.at(rows))
        mangled = self.live & written.bools(lambda text: _MANGLED.fullmatch(text) is not None)
        self.findings.add("id_scientific", mangled, column=self.one("vehicle"), cells=written.at(mangled))
        if known is None:
            return keys, written
        days = np.full(self.size, np.datetime64("NaT"), dtype="datetime64[D]") if day is None else day
        return known.named(keys, days), written

    def place(self, rows: Ints) -> list[str]:
        """Return "row 12" for chosen rows, with the sheet's name in a workbook."""
        tail = "" if self.sheet.sheet is None else f' of the sheet "{self.sheet.sheet}"'
        return picked([f"row {number}{tail}" for number in self.numbers], rows)

    # ---- inside

    def _formats(self, mapped: Mapped) -> tuple[str, ...]:
        return mapped.column.date_formats or self.layout.file.date_formats

    def _set_aside(
        self,
        code: str,
        mapped: Mapped,
        rows: Bools,
        value: Floats,
        *,
        more: str = "",
        suggestion: list[str | None] | None = None,
    ) -> None:
        if (waived := self.findings.waived.get((code, mapped.index + 1))) is not None:
            open_rows = rows.copy()
            open_rows[waived] = False
            if suggestion is not None:
                suggestion = [suggestion[place] for place in np.flatnonzero(open_rows[rows])]
            rows = open_rows
        if rows.any():
            self.findings.add(
                code, rows, column=mapped, cells=self.cells(mapped).at(rows), more=more, suggestion=suggestion
            )
            value[rows] = np.nan


def _differs(text: str, own: str) -> float:
    if not text:
        return 0.0
    cell, column = cell_unit(text), measured_unit(own)
    return float((cell.factor, cell.offset) != (column.factor, column.offset))


def _typed(sheet: RawSheet, match: Match, size: int) -> dict[int, Bools]:
    dates = sheet.date_cells if isinstance(sheet.date_cells, CellSet) else CellSet.of(sheet.date_cells)
    found = {one.index: dates.column(one.index, match.first, size) for one in match.columns}
    return {column: mask for column, mask in found.items() if mask is not None}
