"""Demand, orders and earlier demand as they are printed."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from pipelines.cli.common import console, day, number, table

if TYPE_CHECKING:
    from pipelines.steps.parts import NumberAhead, PartsTold, Quantities
    from pipelines.steps.parts_asked import AskedUsed
    from pipelines.steps.stock_count import Stock
    from wearlab.plan.stock_order import Order

#: characters of a name with its count, and of a month; where they do not fit, a month has a line, not a column
_NAME, _MONTH = 24, 14


def print_parts(told: PartsTold, currency: str) -> None:
    """Print all that is told, the order of today first."""
    from wearlab.charts.words import day_words

    out = console()
    out.print(f"Which parts will be needed, and what to order now? As of {day_words(told.as_of)}.", style="bold")
    if not told.numbers:
        out.print("No part is known to sit in a vehicle yet: load test sheets first.")
        return
    out.print("")
    _print_orders(told, currency)
    out.print("")
    _print_demand(told, wide=out.width >= _NAME + _MONTH * (len(told.ends) + 1))
    out.print("")
    if told.asked:
        _print_asked(told)
    else:
        out.print("Forecast and used: in the months just gone no forecast was issued and no part was put in.")
    if told.missing:
        out.print("")
        out.print("Not told", style="bold")
    for sentence in told.missing:
        out.print(f"- {sentence}")


def _print_orders(told: PartsTold, currency: str) -> None:
    out = console()
    rows = [_order_cells(one, one.order, one.stock) for one in told.numbers if one.order and one.stock]
    if rows:
        heads = ["part number", "order", "for", "counted", "on hand", "on order", "enough is", "lasts until", "chance"]
        out.print(table("Order now", [*heads, "too late"], rows, right=(1, 2, 4, 5, 6, 8, 9), whole=(0, 1, 3, 7)))
        out.print(f"For: what the order costs{f', in {currency}' if currency else ''}.", style="dim")
        out.print(
            "Enough is: stock and orders with which nothing is missing until the order after this one comes (lead time "
            "and a month), with the chance asked for. Chance: that nothing is missing until then, without this order "
            "and with it. Too late: chance that parts are missing before an order of today comes.",
            style="dim",
        )
    silent: dict[str, list[str]] = {}
    for one in told.numbers:
        if one.number is not None and one.order is None:
            silent.setdefault(one.no_order, []).append(one.name)
    for why, names in silent.items():
        out.print(f"- What to order of {', '.join(names)} cannot be told: {why}.")


def _order_cells(one: NumberAhead, order: Order, stock: Stock) -> list[str]:
    cost = None if one.price is None or order.order == 0 else one.price * order.order
    return [
        one.name,
        str(order.order) if order.order else "none",
        number(cost, 0),
        day(stock.counted_on),
        str(stock.on_hand),
        _due(stock, one.covered_until),
        f"{order.level} ({_percent(one.service)})",
        day(one.covered_until),
        _percent(order.lasts) + (f", {_percent(order.lasts_with)}" if order.order else ""),
        _percent(order.short_before),
    ]


def _due(stock: Stock, until: date | None) -> str:
    """What is on order; what comes too late to count is named."""
    late = 0 if until is None else stock.on_order - stock.due_by(until)
    return f"{stock.on_order} ({late} too late)" if late else str(stock.on_order)


def _print_demand(told: PartsTold, *, wide: bool) -> None:
    out = console()
    title = "Needed, by the plan where it decides" if told.planned else "Needed, by the forecasts"
    whole = f"all {len(told.ends)} months" if len(told.ends) > 1 else "in all"
    if wide:
        heads = ["part number", "seated", *(f"{end:%b %Y}" for end in told.ends), whole]
        rows = [
            [one.name, str(one.seated), *(_figures(span) for span in one.months), _figures(one.whole)]
            for one in told.numbers
        ]
        out.print(table(title, heads, rows, right=tuple(range(1, len(heads))), whole=tuple(range(1, len(heads)))))
    else:
        heads = ["part number", "month", "expected", "5 in 10", "9 in 10", "95 in 100"]
        rows = []
        for one in told.numbers:
            spans = [*zip([f"{end:%b %Y}" for end in told.ends], one.months, strict=True), (whole, one.whole)]
            for at, (when, span) in enumerate(spans):
                figures = [f"{span.mean:.1f}", str(span.p50), str(span.p90), str(span.p95)]
                rows.append([one.name if at == 0 else "", when, *figures])
        out.print(table(title, heads, rows, right=(2, 3, 4, 5), whole=(1, 2, 3, 4, 5)))
    out.print(_how(told, wide=wide), style="dim")


def _how(told: PartsTold, *, wide: bool) -> str:
    figures = (
        "Expected, and in brackets what is enough with 5, 9 and 9.5 chances in 10. "
        if wide
        else "5 in 10 and on: what is enough with such a chance. "
    )
    return (
        f"{figures}A part counts in the month in which it passes its limit, in the first one if it has passed already; "
        "parts that fail for other reasons are not in it. Parts count as independent: where one cause wears many of "
        "them, more are needed at once than this says."
    )


def _figures(span: Quantities) -> str:
    return f"{span.mean:.1f} ({span.p50}/{span.p90}/{span.p95})"


def _percent(chance: float) -> str:
    """A chance in whole percent; near the ends it is not rounded to none or all."""
    if 0.0 < chance < 0.005:
        return "<1 %"
    if 0.995 <= chance < 1.0 - 1e-9:
        return ">99 %"
    return f"{100 * chance:.0f} %"


def _print_asked(told: PartsTold) -> None:
    out = console()
    asked, ends = told.asked, told.past_ends
    by_place = {(row.name, row.month_end): row for row in asked}
    names = sorted({row.name for row in asked})
    heads = ["part number", *(f"{end:%b %Y}" for end in ends)]
    rows = [[name, *(_asked_cell(by_place.get((name, end))) for end in ends)] for name in names]
    out.print(table("Forecast and used", heads, rows, whole=tuple(range(len(heads)))))
    out.print(
        "Expected by the last forecast issued in the month before, in brackets what was enough with 9 chances in 10; "
        "used: put in, for whatever reason. A dash: no forecast of that month.",
        style="dim",
    )


def _asked_cell(row: AskedUsed | None) -> str:
    if row is None:
        return "-; 0 used"
    told = "-" if row.mean is None else f"{row.mean:.1f} ({row.p90})"
    return f"{told}; {row.used} used"
