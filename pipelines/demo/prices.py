"""What parts, work and breakdowns cost the invented haulier, and what its workshops can take on, as TOML text."""

from __future__ import annotations

from dataclasses import dataclass

from pipelines.demo import scenario as sc


@dataclass(frozen=True, slots=True)
class _Price:
    """Money in the invented currency, hours of work."""

    price: float
    small_parts: float
    coding_h: float
    alone_h: float
    together_h: float
    core: float
    discount_percent: float
    test_h: float
    tow: float
    downtime_a_day: float
    days: float
    lead_days: int
    pack: int


#: by the family's letter and whether it is the pump, like the part numbers
_PRICES = {
    ("V", False): _Price(290, 24, 0.2, 1.4, 0.5, 45, 8, 0.8, 380, 450, 1.5, 10, 2),
    ("V", True): _Price(940, 60, 0.3, 3.2, 2.4, 120, 0, 0.6, 380, 450, 2, 14, 1),
    ("T", False): _Price(430, 38, 0.3, 2.0, 0.7, 70, 8, 1.2, 900, 800, 2, 14, 2),
    ("T", True): _Price(1850, 95, 0.3, 4.5, 3.4, 250, 0, 0.9, 900, 800, 2.5, 21, 1),
}
_LABOUR = 62
_BAY_HOURS = {"North": 60, "Lake": 60, "Mill": 45}
_BUDGET = 6000
_CALL_IN = 160
#: the family whose rates of road failures are entered; those of the other are learned from its recorded ones
_ENTERED = "V"

_COSTS = """
[costs.parts."{family}".{part}]
part_price = {of.price:g}
small_parts = {of.small_parts:g}
coding_h = {of.coding_h:g}
labour_alone_h = {of.alone_h:g}
labour_together_h = {of.together_h:g}
core_return = {of.core:g}
set_discount_percent = {of.discount_percent:g}
test_h = {of.test_h:g}
"""
_FAILURE = """
[failures."{family}".{part}]
tow = {of.tow:g}
downtime_a_day = {of.downtime_a_day:g}
days = {of.days:g}
"""
_NUMBER = """
[parts."{number}"]
fits = ["{family}"]
part = "{part}"
pack = {of.pack}
"""


def prices_text() -> str:
    """Return the tables costs, failures, plan and parts of the demo's wearlab.toml, all of them invented."""
    kinds = [(family, pump) for family in sc.FAMILIES for pump in (False, True)]
    costs, failures, numbers = [], [], []
    leads = []
    for family, pump in kinds:
        key = (family.letter, pump)
        part, number, of = "pump" if pump else "injector", sc.PART_NUMBERS[key], _PRICES[key]
        costs.append(_COSTS.format(family=family.name, part=part, of=of))
        failures.append(_FAILURE.format(family=family.name, part=part, of=of))
        if family.letter == _ENTERED:
            failures.append(f"per_10000_km_beyond = {sc.ROAD_BEYOND:g}\n")
            failures.append(f"background_per_10000_km = {sc.ROAD_BACKGROUND / 2:g}\n")
        numbers.append(_NUMBER.format(number=number, family=family.name, part=part, of=of))
        leads.append(f'"{number}" = {of.lead_days}')
    bays = ", ".join(f'"{depot}" = {hours}' for depot, hours in _BAY_HOURS.items())
    old = ", ".join(f'"{number}" = "{new}"' for number, new in sc.SUPERSEDED.items())
    return "".join(
        [
            "\n# invented: what parts and work cost, in a currency that does not exist\n",
            f'[costs]\ncurrency = "crowns"\nlabour_per_hour = {_LABOUR}\n',
            *costs,
            "\n# invented: what a road failure costs; the trucks' rates are learned from the recorded failures",
            *failures,
            "\n# invented: what the workshops can take on in a month, and how long parts take to come\n",
            f"[plan]\nbay_hours = {{ {bays} }}\nmonthly_budget = {_BUDGET}\n",
            f"lead_days = {{ {', '.join(leads)} }}\ncall_in_cost = {_CALL_IN}\n",
            "\n# invented: which part number is ordered for what\n",
            f"[parts]\nsuperseded = {{ {old} }}\n",
            *numbers,
        ]
    )
