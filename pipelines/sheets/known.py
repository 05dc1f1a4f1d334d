"""What the store knows already when a sheet comes in: aliases, families, cylinders, rigs, keys seen before."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from pipelines.sheets.cells import Cells
from pipelines.sheets.dates import Dates
from pipelines.sheets.replies import NO, replies
from pipelines.sheets.words import fold
from wearlab.config import Settings
from wearlab.rig_settings import Rig
from wearlab.store.database import Database

#: A statement of the register with the day from which it holds (None: always).
Dated = tuple[date | None, str]

_RIG_FIELDS = ("tube_ml", "graduation_ml", "area_mm2", "dead_ml", "volume_ml", "limiter_bar", "gauge_bar")


@dataclass(slots=True)
class Known:
    """Vehicles as registered, and every key that any table holds.

    `aliases` and `families` : statements in the order of their dates; `near` : keys by their form without leading
    zeros; `rigs` : rigs of `wearlab.toml` filled up with what rig sheets say; `replies` : answers to questions, by
    kind and subject.
    """

    aliases: dict[str, list[Dated]] = field(default_factory=dict)
    families: dict[str, list[Dated]] = field(default_factory=dict)
    cylinders: dict[str, int] = field(default_factory=dict)
    registered: set[str] = field(default_factory=set)
    seen: set[str] = field(default_factory=set)
    near: dict[str, list[str]] = field(default_factory=dict)
    rigs: dict[str, Rig] = field(default_factory=dict)
    replies: dict[tuple[str, str], str] = field(default_factory=dict)

    def reply(self, kind: str, subject: str) -> str | None:
        """Return what a person answered to a question; None where it was not asked or left open."""
        return self.replies.get((kind, subject))

    def family(self, vehicle: Cells, day: Dates) -> Cells:
        """Return the family of every row's vehicle on its day, blank where the register is silent."""
        return _on_days(vehicle, day, self.families, lambda key: "")

    def named(self, vehicle: Cells, day: Dates) -> Cells:
        """Return the vehicle of every row: aliases replaced by the vehicle that had them on the day."""
        return _on_days(vehicle, day, self.aliases, lambda key: key)


def known_vehicles(database: Database, settings: Settings) -> Known:
    """Read the register; a family's number of cylinders stands in where the vehicle has none of its own."""
    found = Known(rigs=known_rigs(database, settings))
    families = {fold(name): one.cylinders for name, one in settings.families.items()}
    rows = database.rows(
        "SELECT vehicle, alias, valid_from, family, cylinders FROM register LEFT JOIN source_file USING (file_id) "
        "ORDER BY valid_from NULLS FIRST, sha256, row_no"
    )
    by_family: dict[str, int] = {}
    for vehicle, alias, valid_from, family, cylinders in rows:
        found.registered.add(vehicle)
        if alias:
            found.aliases.setdefault(alias, []).append((valid_from, vehicle))
        if family:
            found.families.setdefault(vehicle, []).append((valid_from, family))
        if cylinders is not None:
            found.cylinders[vehicle] = cylinders
        if family is not None and (usual := families.get(fold(family))) is not None:
            by_family[vehicle] = usual
    for vehicle, usual in by_family.items():
        found.cylinders.setdefault(vehicle, usual)
    found.seen = {
        row[0]
        for row in database.rows(
            "SELECT vehicle FROM test UNION SELECT vehicle FROM odometer_log UNION "
            "SELECT vehicle FROM work WHERE vehicle IS NOT NULL"
        )
    }
    for vehicle in found.registered:
        found.aliases.pop(vehicle, None)  # a vehicle's own key is never another one's alias
    found.replies = replies(database)
    for (kind, subject), said in found.replies.items():
        if kind == "alias" and said != NO and subject not in found.registered:
            found.aliases[subject] = [(None, said)]
        elif kind == "cylinders":
            found.cylinders[subject] = int(said)
    for vehicle in found.registered | found.seen:
        found.near.setdefault(without_zeros(vehicle), []).append(vehicle)
    return found


def known_rigs(database: Database, settings: Settings) -> dict[str, Rig]:
    """Return every rig: what `wearlab.toml` says of it, and below that what the newest rig sheet says."""
    made: dict[str, dict[str, Any]] = {}
    names = {fold(name): name for name in settings.rigs}
    for row in database.records(
        "SELECT r.* FROM rig_register r LEFT JOIN source_file USING (file_id) "
        "ORDER BY valid_from NULLS FIRST, sha256, row_no"
    ):
        name = names.setdefault(fold(row["rig"]), row["rig"])
        said = made.setdefault(name, {"tubes": {}})
        figures = {one: row[one] for one in _RIG_FIELDS if row[one] is not None}
        if row["channel"]:
            tube = {one: figures[one] for one in ("tube_ml", "graduation_ml", "area_mm2") if one in figures}
            said["tubes"][row["channel"]] = said["tubes"].get(row["channel"], {}) | tube
            said["channels"] = len(said["tubes"])
            continue
        said.update(figures)
        for one in ("depot", "calibrate_every_days"):
            if row[one] is not None:
                said[one] = row[one]
    for name, rig in settings.rigs.items():
        own = rig.model_dump(include=rig.model_fields_set)
        tubes = made.get(name, {}).get("tubes", {})
        for channel, tube in own.get("tubes", {}).items():
            tubes[channel] = tubes.get(channel, {}) | {key: value for key, value in tube.items() if value is not None}
        made[name] = made.get(name, {}) | own | {"tubes": tubes}
    return {name: Rig.model_validate(said) for name, said in made.items()}


def without_zeros(key: str) -> str:
    """Return a vehicle key without the leading zeros of its numbers ("V017" and "V17" are the same then)."""
    made: list[str] = []
    for place, sign in enumerate(key):
        last = made[-1] if made else ""
        following = key[place + 1 : place + 2]
        if sign == "0" and not last.isdecimal() and following.isdecimal():
            continue
        made.append(sign)
    return "".join(made)


def likely_alias(key: str, known: Known) -> str | None:
    """Return the registered vehicle that differs only by lost leading zeros, where there is exactly one."""
    if not key or key in known.registered:
        return None
    found = [other for other in known.near.get(without_zeros(key), []) if other != key and other in known.registered]
    return found[0] if len(found) == 1 else None


def zero_pairs(keys: Iterable[str], known: Known) -> list[tuple[str, str]]:
    """Return pairs (shorter, longer) of unregistered keys that differ only by leading zeros.

    One key at least is among `keys`; the other may be another of them or stand in the store. Zeros get lost and
    are not added, so the longer key is the likely one.
    """
    own = {key for key in keys if key and key not in known.aliases}
    forms: dict[str, set[str]] = {}
    for key in own:
        form = without_zeros(key)
        forms.setdefault(form, {key}).update((key, *known.near.get(form, ())))
    found: list[tuple[str, str]] = []
    for together in forms.values():
        if len(together) < 2 or together & known.registered:
            continue
        *shorter, longest = sorted(together, key=lambda one: (len(one), one))
        found += [(one, longest) for one in shorter]
    return sorted(found)


def unsure_alias(key: str, known: Known) -> list[str] | None:
    """Return the vehicles that a key may stand for, where the register leaves that open; None where it does not."""
    said = known.aliases.get(key)
    return None if said is None else list(dict.fromkeys(vehicle for _, vehicle in said))


def holding(said: list[Dated], day: date | None) -> str | None:
    """Return the statement that holds on a day; None before the first, and where two hold with equal right."""
    valid = [one for one in said if one[0] is None or (day is not None and one[0] <= day)]
    if not valid:
        return None
    last = valid[-1][0]
    words = {word for since, word in valid if since == last}
    return words.pop() if len(words) == 1 else None


def _on_days(vehicle: Cells, day: Dates, said: dict[str, list[Dated]], other: Any) -> Cells:
    """Replace every key by the statement about it that holds on the row's day, else by `other(key)`."""
    plain: list[str] = []
    dated: list[int] = []
    for place, key in enumerate(vehicle.texts):
        statements = said.get(key, [])
        word = holding(statements, None) if all(since is None for since, _ in statements) else None
        plain.append(word or other(key))
        if any(since is not None for since, _ in statements):
            dated.append(place)
    codes, texts = vehicle.codes.copy(), list(plain)
    for place in dated:
        rows = np.flatnonzero(vehicle.codes == place)
        days, inverse = np.unique(day[rows], return_inverse=True)
        key = vehicle.texts[place]
        for number, one in enumerate(days):
            when = None if np.isnat(one) else one.astype("datetime64[D]").astype(object)
            texts.append(holding(said[key], when) or other(key))
            codes[rows[inverse == number]] = len(texts) - 1
    return Cells(codes, texts).words(str)
