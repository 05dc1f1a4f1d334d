"""Tests and work of a workshop put down in a line each, for tests of what is followed through them."""

from __future__ import annotations

from datetime import date, timedelta

from wearlab.lives.fitments import Fitment, Lives
from wearlab.lives.history import TestPoint, WorkPoint

DAY = date(2024, 1, 10)


def day(months: int) -> date:
    return DAY + timedelta(days=30 * months)


def a_test(
    months: int,
    position: str = "1",
    vehicle: str = "V1",
    serial: str | None = None,
    km: float | None = None,
    row: int = 0,
    file: int | None = 1,
    reason: str | None = None,
) -> TestPoint:
    return TestPoint(vehicle, day(months), km, position, serial, file, row or months, reason)


def some_work(
    months: int,
    kind: str,
    position: str | None = None,
    vehicle: str = "V1",
    to: str | None = None,
    out: str | None = None,
    into: str | None = None,
    origin: str | None = None,
    km: float | None = None,
    row: int = 0,
    file: int | None = 2,
    number: str | None = None,
) -> WorkPoint:
    return WorkPoint(vehicle, day(months), km, kind, position, to, out, into, number, origin, file, row or months)


def fits(lives: Lives) -> list[Fitment]:
    return [lives.fitments[k] for k in lives.fitment_of]
