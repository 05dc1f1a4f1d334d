"""The tables of parts: what to order, what is needed by month, and what was used of what was asked for."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from pipelines.steps.parts import NumberAhead, PartsTold, Quantities
from pipelines.steps.parts_asked import AskedUsed
from pipelines.steps.stock_count import Stock
from pipelines.steps.view_table import Cell, Column, Table, percent, table_of
from wearlab.language import _, msg
from wearlab.plan.stock_order import Order

_PARTS = {"injector": msg("injector"), "pump": msg("pump")}

#: one number, a span of months and its last day
_Span = tuple[NumberAhead, str, date | None, Quantities]


def to_order(parts: PartsTold, currency: str) -> Table:
    """A row a part number: what to order today, or why that cannot be told."""

    def order(tell: Callable[[Order], Cell]) -> Callable[[NumberAhead], Cell]:
        return lambda one: None if one.order is None else tell(one.order)

    def stock(tell: Callable[[Stock], Cell]) -> Callable[[NumberAhead], Cell]:
        return lambda one: None if one.stock is None else tell(one.stock)

    def cost(one: NumberAhead) -> Cell:
        return None if one.order is None or one.price is None else one.price * one.order.order

    return table_of(
        msg("parts to order"),
        parts.numbers,
        (
            (Column(msg("part number")), lambda one: one.name),
            (Column(msg("part")), lambda one: _(_PARTS[one.part])),
            (Column(msg("families")), lambda one: ", ".join(one.families) or None),
            (Column(msg("order now"), "count"), order(lambda one: one.order)),
            (Column(msg("price of one"), "money", currency), lambda one: one.price),
            (Column(msg("cost of the order"), "money", currency), cost),
            (Column(msg("counted on"), "date"), stock(lambda one: one.counted_on)),
            (Column(msg("on hand"), "count"), stock(lambda one: one.on_hand)),
            (Column(msg("on order"), "count"), stock(lambda one: one.on_order)),
            (Column(msg("enough is"), "count"), order(lambda one: one.level)),
            (Column(msg("with a chance of"), "percent"), lambda one: percent(one.service)),
            (Column(msg("until"), "date"), lambda one: one.covered_until),
            (Column(msg("chance that it lasts without the order"), "percent"), order(lambda one: percent(one.lasts))),
            (Column(msg("chance that it lasts with the order"), "percent"), order(lambda one: percent(one.lasts_with))),
            (Column(msg("chance short before it comes"), "percent"), order(lambda one: percent(one.short_before))),
            (Column(msg("lead time"), "count", msg("days")), lambda one: one.lead_days),
            (Column(msg("pack"), "count"), lambda one: one.pack),
            (Column(msg("why none is told"), "sentence"), lambda one: one.no_order or None),
        ),
    )


def by_month(parts: PartsTold) -> Table:
    """A row a part number and month, then one for all months."""
    spans: list[_Span] = []
    for one in parts.numbers:
        spans += [(one, _("month"), end, span) for end, span in zip(parts.ends, one.months, strict=True)]
        spans.append((one, _("all months"), parts.ends[-1] if parts.ends else None, one.whole))
    columns: tuple[tuple[Column, Callable[[_Span], Cell]], ...] = (
        (Column(msg("part number")), lambda row: row[0].name),
        (Column(msg("part")), lambda row: _(_PARTS[row[0].part])),
        (Column(msg("span")), lambda row: row[1]),
        (Column(msg("ends on"), "date"), lambda row: row[2]),
        (Column(msg("expected"), "expected"), lambda row: row[3].mean),
        (Column(msg("enough with 50 %"), "count"), lambda row: row[3].p50),
        (Column(msg("enough with 90 %"), "count"), lambda row: row[3].p90),
        (Column(msg("enough with 95 %"), "count"), lambda row: row[3].p95),
        (Column(msg("seated"), "count"), lambda row: row[0].seated),
        (Column(msg("seated without a forecast"), "count"), lambda row: row[0].untold),
    )
    return table_of(msg("parts by month"), spans, columns)


def used(parts: PartsTold) -> Table:
    """A row a part number and month gone by: what was forecast before it, and what was put in."""
    columns: tuple[tuple[Column, Callable[[AskedUsed], Cell]], ...] = (
        (Column(msg("part number")), lambda row: row.name),
        (Column(msg("month ends on"), "date"), lambda row: row.month_end),
        (Column(msg("forecast of"), "date"), lambda row: row.issued_on),
        (Column(msg("expected then"), "expected"), lambda row: row.mean),
        (Column(msg("enough with 90 %"), "count"), lambda row: row.p90),
        (Column(msg("put in"), "count"), lambda row: row.used),
    )
    return table_of(msg("parts used"), parts.asked, columns)
