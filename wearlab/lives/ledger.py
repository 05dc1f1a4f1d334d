"""Working state while a history is followed: which part sits where, and what each part is called.

Nothing here is a result; `fitments.follow` reads its frozen results from a finished ledger. A part without
a serial is provisional. A serial that turns up later names the whole of it, unless that serial sat
elsewhere meanwhile.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date

from wearlab.records import PUMP, SET, Start


@dataclass(slots=True, eq=False)
class Part:
    """One injector or pump; `lives` counts its lives so far, `fit` is where it sits now."""

    serial: str | None
    start: Start
    lives: int = 1
    fits: list[Fit] = field(default_factory=list)
    fit: Fit | None = None


@dataclass(slots=True, eq=False)
class Fit:
    """One part at one position of one vehicle, within one life."""

    vehicle: str
    position: str
    part: Part
    life: int
    start: Start
    part_number: str | None
    from_date: date
    from_order: int
    to_date: date | None = None
    to_order: int | None = None


@dataclass(frozen=True, slots=True)
class Moment:
    """A day, and the place of an event in its vehicle's history."""

    day: date
    order: int


@dataclass(frozen=True, slots=True)
class Since:
    """What is known of parts that nobody has named yet: they began at this moment, in this way."""

    moment: Moment
    start: Start
    part_number: str | None = None


class Ledger:
    """Positions, parts and serials of all vehicles, changed event by event."""

    def __init__(self) -> None:
        self.fits: list[Fit] = []
        self.seats: dict[str, dict[str, Fit]] = defaultdict(dict)
        self.by_serial: dict[str, Part] = {}
        self.since: dict[tuple[str, bool], Since] = {}
        self.used: dict[str, set[str]] = defaultdict(set)
        self.cylinders: dict[str, int] = {}

    def seat(self, vehicle: str, position: str, now: Moment) -> Fit | None:
        """Return the fit at a position; one whose start is known is opened, of any other nothing is known."""
        fit = self.seats[vehicle].get(position)
        if fit is not None:
            return fit
        since = None
        if position not in self.used[vehicle]:
            since = self.since.get((vehicle, position == PUMP))
        if since is not None and since.moment.day <= now.day:
            part = Part(None, since.start)
            return self.open(vehicle, position, part, since.moment, since.part_number)
        return None

    def seat_tested(self, vehicle: str, position: str, now: Moment) -> Fit:
        """Return the fit at a position that was tested, so there is a part, recorded or not."""
        fit = self.seat(vehicle, position, now)
        return fit or self.open(vehicle, position, Part(None, Start.FIRST_TEST), now)

    def open(self, vehicle: str, position: str, part: Part, now: Moment, part_number: str | None = None) -> Fit:
        """Put a part at a free position and return its fit."""
        if part_number is None and part.fits:
            part_number = part.fits[-1].part_number
        fit = Fit(vehicle, position, part, part.lives, part.start, part_number, now.day, now.order)
        part.fit = fit
        part.fits.append(fit)
        self.fits.append(fit)
        self.seats[vehicle][position] = fit
        self.used[vehicle].add(position)
        return fit

    def close(self, fit: Fit, day: date, order: int | None) -> None:
        """Take a part out of its position. `order` is None when the event happened on another vehicle."""
        fit.to_date, fit.to_order = day, order
        fit.part.fit = None
        del self.seats[fit.vehicle][fit.position]

    def take(self, serial: str, vehicle: str, now: Moment, start: Start) -> tuple[Part, Fit | None]:
        """Return the part of a serial, free to be fitted, and the fit it was taken from, if it sat somewhere.

        A serial never seen before is a new part whose life begins as `start`.
        """
        part = self.by_serial.get(serial_key(serial))
        if part is None:
            part = Part(serial.strip(), start)
            self.by_serial[serial_key(serial)] = part
            return part, None
        left = part.fit
        if left is not None:
            self.close(left, now.day, now.order if left.vehicle == vehicle else None)
        return part, left

    def new_life(self, part: Part, start: Start) -> None:
        """Begin another life of a part that is not fitted."""
        part.lives += 1
        part.start = start

    def name(self, fit: Fit, serial: str) -> bool:
        """Give a part its serial; False if it has another one, or the serial sat elsewhere meanwhile."""
        part, key = fit.part, serial_key(serial)
        if part.serial is not None:
            return serial_key(part.serial) == key
        known = self.by_serial.get(key)
        if known is None:
            part.serial = serial.strip()
            self.by_serial[key] = part
            return True
        ended = known.fits[-1].to_date if known.fits else None
        if known.fit is not None or (ended is not None and ended > part.fits[0].from_date):
            return False
        self._join(part, known)
        return True

    def injectors(self, vehicle: str) -> list[str]:
        """Return the injector positions that the vehicle is known to have, in numerical order."""
        known = {position for position in self.used[vehicle] if position not in (PUMP, SET)}
        known |= {str(k + 1) for k in range(self.cylinders.get(vehicle, 0))}
        return sorted(known, key=lambda position: (len(position), position))

    def _join(self, provisional: Part, known: Part) -> None:
        # an unknown start goes on with the life the serial had; a stated start is a life of its own
        goes_on = provisional.fits[0].start in (Start.USED, Start.FIRST_TEST)
        shift = known.lives - 1 if goes_on else known.lives
        for fit in provisional.fits:
            if goes_on and fit.life == 1:
                fit.start = known.start
            fit.part = known
            fit.life += shift
        if not (goes_on and provisional.lives == 1):
            known.start = provisional.start
        known.lives = provisional.lives + shift
        known.fits += provisional.fits
        known.fit = provisional.fit


def serial_key(serial: str) -> str:
    """Return what makes two written serials the same: letters and digits, capitals."""
    return "".join(sign for sign in serial.upper() if sign.isalnum())
