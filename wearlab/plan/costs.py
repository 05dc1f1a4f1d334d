"""What planned work and a road failure cost, from the figures that the user gave, and which of them are missing.

A total needs the part price, the hours of the work and the price of an hour; without one of them there is none. The
others count as nothing where they are not given, and are named.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

from wearlab.plan_settings import Costs, FamilyCosts, PartCost, RoadFailure


@dataclass(frozen=True, slots=True)
class ActionCost:
    """The cost of work at one visit; `total` = parts + small_parts + coding + labour - core_return - discount.

    `spend` is what the budget pays, the same figure. `hours` of bay time, None where they are not known; `total` is
    None where a figure that it needs is. `missing` names each figure that was not given.
    """

    parts: float = 0.0
    small_parts: float = 0.0
    coding: float = 0.0
    labour: float = 0.0
    core_return: float = 0.0
    discount: float = 0.0
    hours: float | None = 0.0
    total: float | None = 0.0
    missing: tuple[str, ...] = ()

    def plus(self, other: ActionCost) -> ActionCost:
        """Return the cost of both."""
        both: dict[str, float | None] = {}
        for one in fields(self):
            if one.name != "missing":
                mine, its = getattr(self, one.name), getattr(other, one.name)
                both[one.name] = None if mine is None or its is None else mine + its
        return ActionCost(**both, missing=tuple(dict.fromkeys((*self.missing, *other.missing))))  # type: ignore[arg-type]


def action_cost(
    costs: Costs,
    family: str,
    *,
    injectors: int = 0,
    pump: bool = False,
    whole_set: bool = False,
    warranty_injectors: int = 0,
    warranty_pump: bool = False,
) -> ActionCost:
    """Return what replacing `injectors` parts, and the pump, at one visit costs.

    `whole_set` takes the discount off; a part under warranty has no price and brings no core return, its work is paid.
    """
    given = costs.parts.get(family, FamilyCosts())
    made = ActionCost()
    if injectors:
        hours = _hours(given.injector, injectors, alone=True)
        made = made.plus(
            _priced(
                costs, given.injector, "injector", family, injectors, injectors - warranty_injectors, hours, whole_set
            )
        )
    if pump:
        hours = _hours(given.pump, 1, alone=not injectors)
        made = made.plus(_priced(costs, given.pump, "pump", family, 1, 0 if warranty_pump else 1, hours, False))
    return made


def cost_of_test(costs: Costs, family: str, *, injectors: bool, pump: bool) -> ActionCost:
    """Return what testing the set of injectors, or the pump, or both costs: the hours of it and their price."""
    given = costs.parts.get(family, FamilyCosts())
    hours, total, labour, missing = 0.0, 0.0, 0.0, []
    known_hours = known_total = True
    for asked, kind, part in ((injectors, "injector", given.injector), (pump, "pump", given.pump)):
        if not asked:
            continue
        if part.test_h is None:
            known_hours = known_total = False
            missing.append(_name("test_h", kind, family))
        else:
            hours += part.test_h
    if costs.labour_per_hour is None:
        known_total = False
        missing.append("labour_per_hour")
    else:
        labour = total = hours * costs.labour_per_hour
    return ActionCost(
        labour=labour,
        hours=hours if known_hours else None,
        total=total if known_total else None,
        missing=tuple(missing),
    )


def failure_cost(failure: RoadFailure, family: str, kind: str) -> tuple[float | None, tuple[str, ...]]:
    """Return what one road failure costs (towing and the days of standing), and the figures that are missing.

    None where nothing of it is known. Standing needs both its days and the price of a day.
    """
    missing = [name for name in ("tow", "downtime_a_day", "days") if getattr(failure, name) is None]
    standing = None
    if failure.downtime_a_day is not None and failure.days is not None:
        standing = failure.downtime_a_day * failure.days
    known = [part for part in (failure.tow, standing) if part is not None]
    return (sum(known) if known else None), tuple(f'failures."{family}".{kind}.{name}' for name in missing)


def _name(figure: str, kind: str, family: str) -> str:
    return f'costs.parts."{family}".{kind}.{figure}'


def _hours(part: PartCost, number: int, *, alone: bool) -> float | None:
    """Hours of replacing parts; where the hours of a further one are not given it is taken to be done alone."""
    one, more = part.labour_alone_h, part.labour_together_h
    more = one if more is None else more
    if alone:
        return None if one is None or (number > 1 and more is None) else one + (number - 1) * (more or 0.0)
    return None if more is None else number * more


def _priced(
    costs: Costs, part: PartCost, kind: str, family: str, number: int, paid: int, hours: float | None, whole_set: bool
) -> ActionCost:
    needed = ["part_price", "labour_alone_h", "small_parts", "coding_h", "core_return"]
    needed += ["labour_together_h"] if number > 1 or kind == "pump" else []
    needed += ["set_discount_percent"] if whole_set else []
    missing = [_name(name, kind, family) for name in needed if getattr(part, name) is None]
    if costs.labour_per_hour is None:
        missing.append("labour_per_hour")
    price, hour = part.part_price or 0.0, costs.labour_per_hour or 0.0
    coding = (part.coding_h or 0.0) * number
    sums = {
        "parts": price * paid,
        "small_parts": (part.small_parts or 0.0) * number,
        "coding": coding * hour,
        "labour": (hours or 0.0) * hour,
    }
    back = {
        "core_return": (part.core_return or 0.0) * paid,
        "discount": price * paid * (part.set_discount_percent or 0.0) / 100.0 if whole_set else 0.0,
    }
    known = hours is not None and costs.labour_per_hour is not None and (part.part_price is not None or not paid)
    return ActionCost(
        **sums,
        **back,
        hours=None if hours is None else hours + coding,
        total=sum(sums.values()) - sum(back.values()) if known else None,
        missing=tuple(missing),
    )
