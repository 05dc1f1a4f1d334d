"""What to order now: enough that the stock lasts until the order after this one comes, with a stated chance.

A periodic review with order-up-to levels: what is ordered today comes after the lead time, what is ordered at the next
review comes one review period later, so that stock and orders must cover the demand of lead time and review period
together. The level is a quantile of that demand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from wearlab.errors import InputError
from wearlab.plan.poisson_binomial import PoissonBinomial


@dataclass(frozen=True, slots=True)
class Order:
    """What to order of one part number, in parts.

    `level`: what stock and orders should come to; `position`: what they come to in time without a new order;
    `order`: in whole packs, 0 for none. `lasts` and `lasts_with`: chance that the stock lasts until the order after
    this one comes, without and with it. `short_before`: chance that it runs out before an order of today can come.
    """

    level: int
    position: int
    order: int
    lasts: float
    lasts_with: float
    short_before: float


def order_now(
    until_next: PoissonBinomial,
    until_lead: PoissonBinomial,
    *,
    on_hand: int,
    on_order: int,
    on_order_before: int,
    service: float,
    pack: int = 1,
) -> Order:
    """Return what to order today.

    Parameters
    ----------
    until_next
        Demand until an order made at the next review would come: lead time and review period.
    until_lead
        Demand until an order of today would come.
    on_hand, on_order, on_order_before
        Parts in stock; on order and due by the end of `until_next`; of these, due by the end of `until_lead`.
    service
        Chance with which the stock should last until then.
    pack
        Parts are sold in packs of so many.

    Raises
    ------
    InputError
        A count is below zero, more is due sooner than in all, or the service is not between 0 and 1.
    """
    if min(on_hand, on_order, on_order_before) < 0 or on_order_before > on_order or pack < 1:
        raise InputError("stock, orders and packs are counts, and what is due sooner is part of what is due")
    level = until_next.quantile(service)
    position = on_hand + on_order
    packs = -(-max(level - position, 0) // pack)
    order = packs * pack
    return Order(
        level=level,
        position=position,
        order=order,
        lasts=until_next.chance_of_at_most(position),
        lasts_with=until_next.chance_of_at_most(position + order),
        short_before=max(1.0 - until_lead.chance_of_at_most(on_hand + on_order_before), 0.0),
    )


def critical_ratio(short_cost: float, spare_cost: float) -> float:
    """Return the chance with which stock should last when one part short and one left over cost so much.

    The newsvendor's ratio: one more part is worth stocking while the chance that it is used times what it saves
    exceeds the chance that it is not times what it costs.

    Raises
    ------
    InputError
        A cost is not above zero.
    """
    if not (short_cost > 0.0 and spare_cost > 0.0):
        raise InputError("the costs of one part short and of one left over lie above zero")
    return short_cost / (short_cost + spare_cost)


def due_by(orders: Sequence[tuple[int, date | None]], last: date) -> int:
    """Return the parts on order that come by a day: `orders` are counts with days, None where the day is not known.

    An order without a day is taken to come in time, because it was made before one of today.
    """
    return sum(count for count, day in orders if day is None or day <= last)
