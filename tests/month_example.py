"""Rows of the forecast table as the first page reads them, put together by hand."""

from __future__ import annotations

from datetime import date
from typing import Any

FORECAST: dict[str, Any] = {
    "vehicle": "V12", "position": "3", "part": "V12/3/2019-02-03", "measure": "return_flow", "protocol": "warm idle",
    "unit": "ml/min", "rule": "van idle", "limit": 28.0, "limit_version": 2, "direction": "above", "level": 25.4,
    "level_low": 23.1, "level_high": 27.9, "state": "watch", "cause": "3 in 10 within 365 days", "state_before": None,
    "changed": None, "readings": 6, "last_test": date(2026, 5, 6), "retest_by": date(2026, 11, 12),
    "retest_why": "the usual interval after the last test", "date_p05": None, "date_p10": date(2027, 3, 4),
    "date_p50": date(2027, 5, 20), "date_p90": date(2027, 7, 9), "date_p95": None, "past": 0.01, "within_30": None,
    "within_90": None, "within_180": None, "within_365": None, "next_visit": None, "before_visit": None,
    "no_answer": None, "note": None,
}  # fmt: skip


def forecast(**other: Any) -> dict[str, Any]:
    """An injector that is watched; keywords replace its figures."""
    return {**FORECAST, **other}


def by_vehicle(*rows: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """The rows by vehicle."""
    found: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        found.setdefault(row["vehicle"], []).append(row)
    return found
