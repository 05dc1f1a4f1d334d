"""Limit rules as they stood: every wording of a rule gets a version, and verdicts keep theirs."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime

from wearlab.config import Settings
from wearlab.limit_settings import LimitRule
from wearlab.store.database import Database


def record_rules(db: Database, settings: Settings) -> dict[tuple[str, date | None], int]:
    """Store new wordings of limit rules; return the version of each rule by name and valid_from.

    Call it inside a transaction.
    """
    versions: dict[tuple[str, date | None], int] = {}
    for rule in settings.limits:
        known = db.rows("SELECT version, rule FROM limit_rule WHERE name = ? ORDER BY version", [rule.name])
        text = _wording(rule)
        same = [version for version, stored in known if json.loads(stored) == json.loads(text)]
        if same:
            version = int(same[-1])
        else:
            version = int(known[-1][0]) + 1 if known else 1
            db.run(
                "INSERT INTO limit_rule VALUES (?, ?, ?, ?)",
                [rule.name, version, datetime.now(UTC).replace(tzinfo=None), text],
            )
        versions[rule.name, rule.valid_from] = version
    return versions


def rules_in_force(settings: Settings, on: date) -> list[LimitRule]:
    """Rules valid on a date: of the wordings that share a name, the one that began last."""
    begun = [rule for rule in settings.limits if rule.valid_from is None or rule.valid_from <= on]
    latest: dict[str, LimitRule] = {}
    for rule in sorted(begun, key=lambda rule: rule.valid_from or date.min):
        latest[rule.name] = rule
    return [rule for rule in settings.limits if latest.get(rule.name) is rule]


def _wording(rule: LimitRule) -> str:
    return json.dumps(rule.model_dump(mode="json"), sort_keys=True)
