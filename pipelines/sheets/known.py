"""What the store knows already when a sheet comes in: aliases, cylinders, other meter readings."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipelines.sheets.words import fold
from wearlab.config import Settings
from wearlab.store.database import Database


@dataclass(slots=True)
class Known:
    """Vehicles as registered: aliases to keys, cylinders by key, all keys in any table."""

    aliases: dict[str, str] = field(default_factory=dict)
    cylinders: dict[str, int] = field(default_factory=dict)
    registered: set[str] = field(default_factory=set)
    near: dict[str, list[str]] = field(default_factory=dict)


def known_vehicles(database: Database, settings: Settings) -> Known:
    """Read the register; a family's number of cylinders stands in where the vehicle has none of its own."""
    found = Known()
    families = {fold(name): one.cylinders for name, one in settings.families.items()}
    rows = database.rows(
        "SELECT vehicle, alias, family, cylinders FROM register ORDER BY valid_from NULLS FIRST, file_id, row_no"
    )
    by_family: dict[str, int] = {}
    for vehicle, alias, family, cylinders in rows:
        found.registered.add(vehicle)
        if alias:
            found.aliases[alias] = vehicle
        if cylinders is not None:
            found.cylinders[vehicle] = cylinders
        if family is not None and (usual := families.get(fold(family))) is not None:
            by_family[vehicle] = usual
    for vehicle, usual in by_family.items():
        found.cylinders.setdefault(vehicle, usual)
    for vehicle in found.registered:
        found.aliases.pop(vehicle, None)  # a vehicle's own key is never another one's alias
        found.near.setdefault(without_zeros(vehicle), []).append(vehicle)
    return found


def without_zeros(key: str) -> str:
    """Return a vehicle key without the leading zeros of its numbers ("V017" and "V17" are the same then)."""
    made: list[str] = []
    for place, sign in enumerate(key):
        last = made[-1] if made else ""
        following = key[place + 1 : place + 2]
        if sign == "0" and not last.isdigit() and following.isdigit():
            continue
        made.append(sign)
    return "".join(made)


def likely_alias(key: str, known: Known) -> str | None:
    """Return the registered vehicle that differs only by lost leading zeros, where there is exactly one."""
    if not key or key in known.registered:
        return None
    found = [other for other in known.near.get(without_zeros(key), []) if other != key]
    return found[0] if len(found) == 1 else None
