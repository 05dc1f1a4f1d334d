"""The tables of a month's workbook that are not those of the plan: forecasts, signals, data quality, limits."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from pipelines.steps.signal_words import first_check, what_words, where_words
from pipelines.steps.signals import SignalsTold
from pipelines.steps.view_table import Cell, Column, Form, Table, percent, table_of
from wearlab.charts.words import dated, measure_words, position_words
from wearlab.language import _, msg
from wearlab.pack.fleet_page import LeftOut, RemarkCount
from wearlab.pack.pack_view import PackView
from wearlab.pack.view import OpenQuestion, PartState, Unsaid, VehicleView

#: the plan's own table "about" bears this name in a month's workbook
ABOUT_PLAN = msg("about the plan")

#: the unit of a ratio, the only one that is a word
TIMES = msg("times")

_SIDES = {"above": msg("above"), "below": msg("below")}

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
        (Column(msg("vehicle")), lambda row: row[0].vehicle),
        (Column(msg("family")), lambda row: row[0].family or None),
        (Column(msg("depot")), lambda row: row[0].depot or None),
        (Column(msg("part")), lambda row: position_words(row[1].position)),
        (Column(msg("part name")), of("part")),
        (Column(msg("measure")), lambda row: measure_words(row[1].measure)),
        (Column(msg("protocol")), of("protocol")),
        (Column(msg("state")), lambda row: _(row[1].state)),
        (Column(msg("why"), "sentence"), of("cause")),
        (Column(msg("state before")), lambda row: _(row[1].state_before) if row[1].state_before else None),
        (Column(msg("why another"), "sentence"), of("changed")),
        (Column(msg("readings"), "count"), of("readings")),
        (Column(msg("last test"), "date"), of("last_test")),
        (Column(msg("unit")), lambda row: _(row[1].unit) if row[1].unit else None),
        (Column(msg("level now"), "level"), of("level")),
        (Column(msg("level, low (1 in 20)"), "level"), of("level_low")),
        (Column(msg("level, high (19 in 20)"), "level"), of("level_high")),
        (Column(msg("under"), "sentence"), of("reference")),
        (Column(msg("by")), lambda row: _(row[1].method) if row[1].method else None),
        (Column(msg("next reading, low"), "level"), of("next_low")),
        (Column(msg("next reading, high"), "level"), of("next_high")),
        (Column(msg("rate"), "rate"), of("rate")),
        (Column(msg("rate, low"), "rate"), of("rate_low")),
        (Column(msg("rate, high"), "rate"), of("rate_high")),
        (Column(msg("unit of the rate")), of("rate_unit")),
        (Column(msg("limit"), "level"), of("limit")),
        (Column(msg("past it is")), lambda row: _(_SIDES[row[1].direction]) if row[1].direction else None),
        (Column(msg("rule")), of("rule")),
        (Column(msg("version of the limit"), "count"), of("limit_version")),
        (Column(msg("source of the limit"), "sentence"), of("limit_source")),
        (Column(msg("passes early (1 in 10)"), "date"), of("date_p10")),
        (Column(msg("passes, middle"), "date"), of("date_p50")),
        (Column(msg("passes late (9 in 10)"), "date"), of("date_p90")),
        (Column(msg("odometer early (1 in 10)"), "km"), of("odometer_p10_km")),
        (Column(msg("odometer, middle"), "km"), of("odometer_p50_km")),
        (Column(msg("odometer late (9 in 10)"), "km"), of("odometer_p90_km")),
        (Column(msg("past it now"), "percent"), chance("past")),
        (Column(msg("past it within 30 days"), "percent"), chance("within_30")),
        (Column(msg("past it within 90 days"), "percent"), chance("within_90")),
        (Column(msg("past it within 180 days"), "percent"), chance("within_180")),
        (Column(msg("past it within 365 days"), "percent"), chance("within_365")),
        (Column(msg("next visit"), "date"), of("next_visit")),
        (Column(msg("past it before the next visit"), "percent"), chance("before_visit")),
        (Column(msg("next reading past it"), "percent"), chance("next_reading_past")),
        (Column(msg("test again by"), "date"), of("retest_by")),
        (Column(msg("why test then"), "sentence"), of("retest_why")),
        (Column(msg("readings outside the correction"), "count"), of("outside")),
        (Column(msg("readings beyond the scale"), "count"), of("beyond")),
        (Column(msg("note"), "sentence"), of("note")),
        (Column(msg("why no answer"), "sentence"), of("no_answer")),
    )
    return table_of(msg("forecasts"), rows, columns)


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
        (Column(msg("key")), of("key")),
        (Column(msg("vehicle")), of("vehicle")),
        (Column(msg("where")), where_words),
        (Column(msg("measure")), lambda one: measure_words(str(one["measure"]))),
        (Column(msg("protocol")), of("protocol")),
        (Column(msg("raised on"), "date"), of("detected_on")),
        (Column(msg("since, early"), "date"), of("onset_early")),
        (Column(msg("since, late"), "date"), of("onset_late")),
        (Column(msg("what"), "sentence"), lambda one: dated(what_words(one))),
        (Column(msg("size"), "level"), of("size")),
        (Column(msg("size, low (1 in 20)"), "level"), of("size_low")),
        (Column(msg("size, high (19 in 20)"), "level"), of("size_high")),
        (Column(msg("unit")), of("unit")),
        (Column(msg("in percent"), "percent"), of("percent")),
        (Column(msg("departs by, in sd"), "level"), of("z")),
        (Column(msg("may also be"), "sentence"), others),
        (Column(msg("what would tell"), "sentence"), of("telling")),
        (Column(msg("check first"), "sentence"), lambda one: first_check(one) or None),
        (Column(msg("question"), "sentence"), of("question")),
        (Column(msg("open")), lambda one: bool(one["open"])),
        (Column(msg("why closed"), "sentence"), of("closed")),
        (Column(msg("acknowledged"), "sentence"), of("acknowledged")),
    )
    return table_of(msg("signals"), told.signals, columns)


def files(view: PackView) -> Table:
    """A row a loaded file: where its rows went."""
    return table_of(
        msg("files"),
        view.fleet.quality.files,
        (
            _named(msg("file"), "file"), _named(msg("layout"), "layout"), _named(msg("loaded on"), "loaded_on", "date"),
            _named(msg("rows read"), "rows_read", "count"), _named(msg("accepted"), "accepted", "count"),
            _named(msg("flagged"), "flagged", "count"), _named(msg("set aside"), "set_aside", "count"),
            _named(msg("structure"), "structure", "count"),
            _named(msg("cells set aside"), "cells_set_aside", "count"),
            _named(msg("readings"), "readings", "count"), _named(msg("questions"), "questions", "count"),
        ),
    )  # fmt: skip


def remarks(view: PackView) -> Table:
    """A row a rule that flagged something or set it aside, with an example."""
    columns: tuple[tuple[Column, Callable[[RemarkCount], Cell]], ...] = (
        _named(msg("rule"), "code"),
        _named(msg("what"), "level"),
        _named(msg("how often"), "count", "count"),
        _named(msg("files"), "files", "count"),
        _named(msg("for example"), "example", "sentence"),
        _named(msg("from"), "source"),
    )
    return table_of(msg("set aside and flagged"), view.fleet.quality.remarks, columns)


def left_out(view: PackView) -> Table:
    """A row a measure and protocol: readings that count for little or nothing, by why."""
    columns: tuple[tuple[Column, Callable[[LeftOut], Cell]], ...] = (
        (Column(msg("measure")), lambda row: measure_words(row.measure)),
        _named(msg("protocol"), "protocol"),
        _named(msg("readings"), "readings", "count"),
        _named(msg("outside the correction"), "outside", "count"),
        _named(msg("beyond the scale"), "beyond", "count"),
        _named(msg("gross errors"), "gross", "count"),
        _named(msg("doubted when loaded"), "doubted", "count"),
    )
    return table_of(msg("readings left out"), view.fleet.quality.left_out, columns)


def questions(view: PackView) -> Table:
    """A row an open question about the sheets."""
    columns: tuple[tuple[Column, Callable[[OpenQuestion], Cell]], ...] = (
        _named(msg("question"), "sentence", "sentence"),
        _named(msg("readings that wait"), "readings", "count"),
        _named(msg("file"), "file"),
    )
    return table_of(msg("open questions"), view.fleet.quality.questions, columns)


def not_told(view: PackView) -> Table:
    """A row a thing that the data could not say."""
    columns: tuple[tuple[Column, Callable[[Unsaid], Cell]], ...] = (
        _named(msg("vehicle"), "vehicle"),
        _named(msg("what"), "subject", "sentence"),
        _named(msg("why"), "reason", "sentence"),
    )
    return table_of(msg("not told"), view.first.unsaid, columns)


def limits(view: PackView) -> Table:
    """A row a limit in force."""
    return table_of(
        msg("limits"),
        view.about.limits,
        (
            _named(msg("limit"), "name"), _named(msg("test"), "test"), _named(msg("is"), "text"),
            _named(msg("applies to"), "applies", "sentence"), _named(msg("version"), "version", "count"),
            _named(msg("since"), "since", "date"), _named(msg("source"), "source", "sentence"),
        ),
    )  # fmt: skip


def about(view: PackView, no_plan: tuple[str, ...]) -> Table:
    """What the workbook is of and what its figures rest on."""
    month, page = view.month, view.about
    told = [(_("workspace"), month.workspace), (_("month"), month.title), (_("as of"), month.as_of.isoformat())]
    told += [(_("no plan"), sentence) for sentence in no_plan]
    told += [(_("known then"), sentence) for sentence in page.known]
    told += [*page.run, *page.programs, *(page.settings or month.settings)]
    return table_of(
        msg("about"),
        told,
        ((Column(msg("what")), lambda one: one[0]), (Column(msg("is"), "sentence"), lambda one: one[1])),
    )


def _named(head: str, name: str, form: Form = "text") -> tuple[Column, Callable[[object], Cell]]:
    """A column of an attribute; an empty text is nothing known."""

    def tell(row: object) -> Cell:
        found: Cell = getattr(row, name)
        return found if found != "" else None

    return Column(head, form), tell
