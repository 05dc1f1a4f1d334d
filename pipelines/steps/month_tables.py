"""The tables of a month's workbook that are not those of the plan: forecasts, signals, data quality, limits."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from pipelines.steps.signal_words import first_check, what_words, where_words
from pipelines.steps.signals import SignalsTold
from pipelines.steps.view_table import Cell, Column, Form, Table, percent, table_of
from wearlab.charts.words import dated, measure_words, position_words
from wearlab.pack.fleet_page import LeftOut, RemarkCount
from wearlab.pack.pack_view import PackView
from wearlab.pack.view import FileRow, OpenQuestion, PartState, Unsaid, VehicleView

#: a vehicle with the state of one of its parts
_Told = tuple[VehicleView, PartState]


def forecasts(view: PackView) -> Table:
    """A row a part and limit, by vehicle: its level, rate, state, when it passes its limit and when to test it."""
    rows = [(vehicle, state) for vehicle in view.month.vehicles for state in vehicle.states]

    def of(name: str) -> Callable[[_Told], Cell]:
        def tell(row: _Told) -> Cell:
            found: Cell = getattr(row[1], name)
            return found if found != "" else None

        return tell

    def chance(name: str) -> Callable[[_Told], Cell]:
        return lambda row: percent(getattr(row[1], name))

    columns: tuple[tuple[Column, Callable[[_Told], Cell]], ...] = (
        (Column("vehicle"), lambda row: row[0].vehicle),
        (Column("family"), lambda row: row[0].family or None),
        (Column("depot"), lambda row: row[0].depot or None),
        (Column("part"), lambda row: position_words(row[1].position)),
        (Column("part name"), of("part")),
        (Column("measure"), lambda row: measure_words(row[1].measure)),
        (Column("protocol"), of("protocol")),
        (Column("state"), of("state")),
        (Column("why", "sentence"), of("cause")),
        (Column("state before"), of("state_before")),
        (Column("why another", "sentence"), of("changed")),
        (Column("readings", "count"), of("readings")),
        (Column("last test", "date"), of("last_test")),
        (Column("unit"), of("unit")),
        (Column("level now", "level"), of("level")),
        (Column("level, low (1 in 20)", "level"), of("level_low")),
        (Column("level, high (19 in 20)", "level"), of("level_high")),
        (Column("under", "sentence"), of("reference")),
        (Column("by"), of("method")),
        (Column("next reading, low", "level"), of("next_low")),
        (Column("next reading, high", "level"), of("next_high")),
        (Column("rate", "rate"), of("rate")),
        (Column("rate, low", "rate"), of("rate_low")),
        (Column("rate, high", "rate"), of("rate_high")),
        (Column("unit of the rate"), of("rate_unit")),
        (Column("limit", "level"), of("limit")),
        (Column("past it is"), of("direction")),
        (Column("rule"), of("rule")),
        (Column("version of the limit", "count"), of("limit_version")),
        (Column("source of the limit", "sentence"), of("limit_source")),
        (Column("passes early (1 in 10)", "date"), of("date_p10")),
        (Column("passes, middle", "date"), of("date_p50")),
        (Column("passes late (9 in 10)", "date"), of("date_p90")),
        (Column("odometer early (1 in 10)", "km"), of("odometer_p10_km")),
        (Column("odometer, middle", "km"), of("odometer_p50_km")),
        (Column("odometer late (9 in 10)", "km"), of("odometer_p90_km")),
        (Column("past it now", "percent"), chance("past")),
        (Column("past it within 30 days", "percent"), chance("within_30")),
        (Column("past it within 90 days", "percent"), chance("within_90")),
        (Column("past it within 180 days", "percent"), chance("within_180")),
        (Column("past it within 365 days", "percent"), chance("within_365")),
        (Column("next visit", "date"), of("next_visit")),
        (Column("past it before the next visit", "percent"), chance("before_visit")),
        (Column("next reading past it", "percent"), chance("next_reading_past")),
        (Column("test again by", "date"), of("retest_by")),
        (Column("why test then", "sentence"), of("retest_why")),
        (Column("readings outside the correction", "count"), of("outside")),
        (Column("readings beyond the scale", "count"), of("beyond")),
        (Column("note", "sentence"), of("note")),
        (Column("why no answer", "sentence"), of("no_answer")),
    )
    return table_of("forecasts", rows, columns)


def signals(told: SignalsTold) -> Table:
    """A row a signal, newest first, acknowledged ones and closed ones too."""

    def of(name: str) -> Callable[[Mapping[str, Any]], Cell]:
        def tell(one: Mapping[str, Any]) -> Cell:
            found: Cell = one[name]
            return found if found != "" else None

        return tell

    def others(one: Mapping[str, Any]) -> Cell:
        return "; ".join(dated(what_words(other)) for other in one["alternatives"]) or None

    columns: tuple[tuple[Column, Callable[[Mapping[str, Any]], Cell]], ...] = (
        (Column("key"), of("key")),
        (Column("vehicle"), of("vehicle")),
        (Column("where"), where_words),
        (Column("measure"), lambda one: measure_words(str(one["measure"]))),
        (Column("protocol"), of("protocol")),
        (Column("raised on", "date"), of("detected_on")),
        (Column("since, early", "date"), of("onset_early")),
        (Column("since, late", "date"), of("onset_late")),
        (Column("what", "sentence"), lambda one: dated(what_words(one))),
        (Column("size", "level"), of("size")),
        (Column("size, low (1 in 20)", "level"), of("size_low")),
        (Column("size, high (19 in 20)", "level"), of("size_high")),
        (Column("unit"), of("unit")),
        (Column("in percent", "percent"), of("percent")),
        (Column("departs by, in sd", "level"), of("z")),
        (Column("may also be", "sentence"), others),
        (Column("what would tell", "sentence"), of("telling")),
        (Column("check first", "sentence"), lambda one: first_check(one) or None),
        (Column("question", "sentence"), of("question")),
        (Column("open"), lambda one: bool(one["open"])),
        (Column("why closed", "sentence"), of("closed")),
        (Column("acknowledged", "sentence"), of("acknowledged")),
    )
    return table_of("signals", told.signals, columns)


def files(view: PackView) -> Table:
    """A row a loaded file: where its rows went."""
    return table_of(
        "files",
        view.fleet.quality.files,
        (
            _named("file", "file"), _named("layout", "layout"), _named("loaded on", "loaded_on", "date"),
            *_counts("rows_read", "accepted", "flagged", "set_aside", "structure", "cells_set_aside", "readings",
                     "questions"),
        ),
    )  # fmt: skip


def remarks(view: PackView) -> Table:
    """A row a rule that flagged something or set it aside, with an example."""
    columns: tuple[tuple[Column, Callable[[RemarkCount], Cell]], ...] = (
        _named("rule", "code"),
        _named("what", "level"),
        _named("how often", "count", "count"),
        _named("files", "files", "count"),
        _named("for example", "example", "sentence"),
        _named("from", "source"),
    )
    return table_of("set aside and flagged", view.fleet.quality.remarks, columns)


def left_out(view: PackView) -> Table:
    """A row a measure and protocol: readings that count for little or nothing, by why."""
    columns: tuple[tuple[Column, Callable[[LeftOut], Cell]], ...] = (
        (Column("measure"), lambda row: measure_words(row.measure)),
        _named("protocol", "protocol"),
        _named("readings", "readings", "count"),
        _named("outside the correction", "outside", "count"),
        _named("beyond the scale", "beyond", "count"),
        _named("gross errors", "gross", "count"),
        _named("doubted when loaded", "doubted", "count"),
    )
    return table_of("readings left out", view.fleet.quality.left_out, columns)


def questions(view: PackView) -> Table:
    """A row an open question about the sheets."""
    columns: tuple[tuple[Column, Callable[[OpenQuestion], Cell]], ...] = (
        _named("question", "sentence", "sentence"),
        _named("readings that wait", "readings", "count"),
        _named("file", "file"),
    )
    return table_of("open questions", view.fleet.quality.questions, columns)


def not_told(view: PackView) -> Table:
    """A row a thing that the data could not say."""
    columns: tuple[tuple[Column, Callable[[Unsaid], Cell]], ...] = (
        _named("vehicle", "vehicle"),
        _named("what", "subject", "sentence"),
        _named("why", "reason", "sentence"),
    )
    return table_of("not told", view.first.unsaid, columns)


def limits(view: PackView) -> Table:
    """A row a limit in force."""
    return table_of(
        "limits",
        view.about.limits,
        (
            _named("limit", "name"), _named("test", "test"), _named("is", "text"),
            _named("applies to", "applies", "sentence"), _named("version", "version", "count"),
            _named("since", "since", "date"), _named("source", "source", "sentence"),
        ),
    )  # fmt: skip


def about(view: PackView, no_plan: tuple[str, ...]) -> Table:
    """What the workbook is of and what its figures rest on."""
    month, page = view.month, view.about
    told = [("workspace", month.workspace), ("month", month.title), ("as of", month.as_of.isoformat())]
    told += [("no plan", sentence) for sentence in no_plan]
    told += [("known then", sentence) for sentence in page.known]
    told += [*page.run, *page.programs, *(page.settings or month.settings)]
    return table_of(
        "about", told, ((Column("what"), lambda one: one[0]), (Column("is", "sentence"), lambda one: one[1]))
    )


def _counts(*names: str) -> tuple[tuple[Column, Callable[[FileRow], Cell]], ...]:
    return tuple(_named(name.replace("_", " "), name, "count") for name in names)


def _named(head: str, name: str, form: Form = "text") -> tuple[Column, Callable[[object], Cell]]:
    """A column of an attribute; an empty text is nothing known."""

    def tell(row: object) -> Cell:
        found: Cell = getattr(row, name)
        return found if found != "" else None

    return Column(head, form), tell
