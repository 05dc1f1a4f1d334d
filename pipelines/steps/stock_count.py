"""What is on the shelf and on order, by the newest count of each part number."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from wearlab.config import Settings
from wearlab.plan.stock_order import due_by
from wearlab.store.database import Database


@dataclass(frozen=True, slots=True)
class Stock:
    """Parts of one number, superseded ones that it replaced included.

    `used_since`: put in since the count, taken off `on_hand`. `orders`: parts on order and the day they are due, None
    where none is stated.
    """

    counted_on: date | None
    on_hand: int
    used_since: int
    orders: tuple[tuple[int, date | None], ...]

    @property
    def on_order(self) -> int:
        """All that is on order."""
        return sum(count for count, _ in self.orders)

    def due_by(self, day: date) -> int:
        """What of it comes by a day."""
        return due_by(self.orders, day)


def stock_on(db: Database, settings: Settings, as_of: date, used: list[tuple[date, str | None]]) -> dict[str, Stock]:
    """The stock of every number that was ever counted, as of a day; `used` are the parts put in, with their numbers.

    The shelf is that of the newest count that states one, orders are those of the newest count. A count without a
    date stands before all that have one.
    """
    rows = db.records(
        """
        SELECT part_number, counted_on, coalesce(file_id, 0) AS file_id, on_hand, on_order, due_on FROM stock
        WHERE counted_on IS NULL OR counted_on <= ? ORDER BY part_number, counted_on NULLS FIRST, file_id, row_no
        """,
        [as_of],
    )
    by_number: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        by_number.setdefault(row["part_number"], []).append(row)
    merged: dict[str, list[Stock]] = {}
    for number, own in by_number.items():
        merged.setdefault(settings.parts.current(number), []).append(_newest(own))
    found = {}
    for number, stocks in merged.items():
        days = [one.counted_on for one in stocks if one.counted_on is not None]
        since = max(days, default=None)
        on_hand = sum(one.on_hand for one in stocks)
        gone = sum(1 for day, which in used if which == number and since is not None and since < day <= as_of)
        found[number] = Stock(
            counted_on=since,
            on_hand=max(on_hand - gone, 0),
            used_since=gone,
            orders=tuple(order for one in stocks for order in one.orders),
        )
    return found


def _newest(rows: list[dict[str, Any]]) -> Stock:
    """The newest count among the rows of one number; several rows of it (places, deliveries) are added up."""
    shelves = [row for row in rows if row["on_hand"] is not None]
    shelf = [row for row in shelves if _count(row) == _count(shelves[-1])]
    latest = [row for row in rows if _count(row) == _count(rows[-1])]
    return Stock(
        counted_on=shelf[-1]["counted_on"] if shelf else latest[-1]["counted_on"],
        on_hand=sum(int(row["on_hand"]) for row in shelf),
        used_since=0,
        orders=tuple((int(row["on_order"]), row["due_on"]) for row in latest if row["on_order"]),
    )


def _count(row: dict[str, Any]) -> tuple[date | None, int]:
    """What tells one count from another: its day; without a day, its file."""
    return row["counted_on"], 0 if row["counted_on"] is not None else int(row["file_id"])
