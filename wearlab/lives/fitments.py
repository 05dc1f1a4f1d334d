"""Which part sat where: parts followed through replacement, swap, rebuild, cleaning, engine swap and moves.

A part is known by its serial. Without one, a provisional part stands for "this vehicle, this position,
since this date"; a serial given later keeps its history. Nothing is asked back here: what the sheets leave
open becomes a remark, and the readings on both sides of it are never joined into one life.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from wearlab.language import _, msg
from wearlab.lives.history import TestPoint, WorkPoint, events
from wearlab.lives.ledger import Fit, Ledger, Moment, Part, Since, serial_key
from wearlab.records import PUMP, SET, Start, WorkKind


@dataclass(frozen=True, slots=True)
class VehicleStart:
    """How a vehicle began. Parts count as new since `in_service` only when that is confirmed."""

    in_service: date | None = None
    original_parts: bool = False
    cylinders: int | None = None


@dataclass(frozen=True, slots=True)
class Fitment:
    """One part at one position from a date (to a date), within one life: a row of the store's table."""

    vehicle: str
    position: str
    part: str
    serial: str | None
    part_number: str | None
    from_date: date
    from_order: int
    to_date: date | None
    to_order: int | None
    start: str
    exposure_before_km: float | None = None
    life: int = 1

    def row(self) -> dict[str, object]:
        """Return the columns of the table `fitment`."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "life"}


@dataclass(frozen=True, slots=True)
class Step:
    """Work that moves the level of a part but leaves its life and exposure: cleaning."""

    vehicle: str
    position: str
    part: str
    life: int
    day: date
    order: int
    kind: str


@dataclass(frozen=True, slots=True)
class Remark:
    """Something in the history that the sheets leave open, as one sentence with the place it was written."""

    vehicle: str
    position: str | None
    day: date
    code: str
    sentence: str
    file_id: int | None
    row_no: int


@dataclass(frozen=True, slots=True)
class Lives:
    """All fitments; `fitment_of[k]` is the fitment that test point k measured."""

    fitments: tuple[Fitment, ...]
    fitment_of: tuple[int, ...]
    steps: tuple[Step, ...]
    remarks: tuple[Remark, ...]


def follow(
    tests: Sequence[TestPoint],
    works: Sequence[WorkPoint] = (),
    starts: Mapping[str, VehicleStart] | None = None,
) -> Lives:
    """Follow every part through all tests and work, of any number of vehicles, given in any order."""
    book = _Book(starts or {})
    measured: dict[int, Fit] = {}
    for event in events(tests, works):
        point, now = event.point, Moment(event.point.day, event.order)
        if isinstance(point, TestPoint):
            measured[event.index] = book.test(point, now)
        else:
            book.work(point, now)
    return book.finish([measured[k] for k in range(len(tests))])


_WITHOUT_POSITION: dict[str, str] = {
    WorkKind.REPLACEMENT: msg("{where} on {day} has a replacement without a position"),
    WorkKind.REBUILD: msg("{where} on {day} has a rebuild without a position"),
}


class _Book:
    """Applies events to a ledger and keeps the remarks."""

    def __init__(self, starts: Mapping[str, VehicleStart]) -> None:
        self.ledger = Ledger()
        self.remarks: list[Remark] = []
        self.steps: list[tuple[Fit, Moment, str]] = []
        for vehicle, start in starts.items():
            if start.cylinders:
                self.ledger.cylinders[vehicle] = start.cylinders
            if start.original_parts and start.in_service is not None:
                since = Since(Moment(start.in_service, -1), Start.NEW)
                self.ledger.since[vehicle, True] = self.ledger.since[vehicle, False] = since

    def test(self, point: TestPoint, now: Moment) -> Fit:
        """Return the fit that a test measured; its serial, if given, may show a change nobody wrote down."""
        vehicle, position, serial = point.vehicle, point.position, point.serial
        if not serial or not serial_key(serial) or position == SET:
            return self.ledger.seat_tested(vehicle, position, now)
        fit = self.ledger.seat(vehicle, position, now)
        if fit is not None:
            if self.ledger.name(fit, serial):
                return fit
            words = msg("{where} on {day} carries serial {serial} without work")
            self._remark(point, position, "unrecorded change", words, serial=serial)
            self.ledger.close(fit, now.day, now.order)
        part, left = self.ledger.take(serial, vehicle, now, Start.FIRST_TEST)
        if left is not None and fit is None:
            words = msg("{where} on {day} carries serial {serial}, last fitted to {before}")
            before = f"{left.vehicle} {left.position}"
            self._remark(point, position, "unrecorded move", words, serial=serial, before=before)
        return self.ledger.open(vehicle, position, part, now)

    def work(self, point: WorkPoint, now: Moment) -> None:
        """Apply one piece of work; kinds that touch no part change nothing here."""
        match point.kind:
            case WorkKind.ENGINE_SWAP:
                self._engine_swap(point, now)
            case WorkKind.SWAP:
                self._swap(point, now)
            case WorkKind.REPLACEMENT | WorkKind.REBUILD | WorkKind.CLEANING:
                self._on_positions(point, now)
            case _:
                pass

    def _on_positions(self, point: WorkPoint, now: Moment) -> None:
        if point.position is None:
            if point.kind == WorkKind.CLEANING:
                positions = self.ledger.injectors(point.vehicle)
            else:
                words = _WITHOUT_POSITION[point.kind]
                self._remark(point, None, "no position", words)
                return
        elif point.position == SET:
            positions = self.ledger.injectors(point.vehicle)
            if point.kind != WorkKind.CLEANING:
                since = Since(now, _start(point), point.part_number)
                self.ledger.since[point.vehicle, False] = since
        else:
            positions = [point.position]
        for position in positions:
            if point.kind == WorkKind.CLEANING:
                fit = self.ledger.seat(point.vehicle, position, now)
                if fit is not None:
                    self.steps.append((fit, now, point.kind))
            elif point.kind == WorkKind.REBUILD:
                self._rebuild(point, position, now, alone=len(positions) == 1)
            else:
                self._replace(point, position, now, alone=len(positions) == 1)
        if point.position != PUMP:
            self._step_the_set(point, now)

    def _replace(self, point: WorkPoint, position: str, now: Moment, *, alone: bool) -> None:
        out = self.ledger.seat(point.vehicle, position, now)
        if out is not None:
            self._name_out(point, out, alone)
            if self.ledger.seats[point.vehicle].get(position) is out:
                self.ledger.close(out, now.day, now.order)
        if point.serial_in and alone:
            part = self.ledger.take(point.serial_in, point.vehicle, now, _start(point))[0]
            if part.fits and point.origin in (Start.NEW, Start.REBUILT):
                self.ledger.new_life(part, _start(point))
                if point.origin == Start.NEW:
                    words = msg("{where} on {day} was fitted with serial {serial} as new, but that part was in use")
                    self._remark(point, position, "new part seen before", words, serial=point.serial_in)
        else:
            part = Part(None, _start(point))
        self.ledger.open(point.vehicle, position, part, now, point.part_number)

    def _rebuild(self, point: WorkPoint, position: str, now: Moment, *, alone: bool) -> None:
        fit = self.ledger.seat(point.vehicle, position, now)
        serial = (point.serial_in or point.serial_out) if alone else None
        if fit is None or (serial and not self.ledger.name(fit, serial)):
            # another part came back than went out: a replacement by a rebuilt part
            if fit is not None:
                self._name_out(point, fit, alone)
                self.ledger.close(fit, now.day, now.order)
            part = Part(None, Start.REBUILT)
            if serial:
                part = self.ledger.take(serial, point.vehicle, now, Start.REBUILT)[0]
        else:
            part = fit.part
            self.ledger.close(fit, now.day, now.order)
        if part.fits:
            self.ledger.new_life(part, Start.REBUILT)
        self.ledger.open(point.vehicle, position, part, now, point.part_number)

    def _swap(self, point: WorkPoint, now: Moment) -> None:
        here, there = point.position, point.position_to
        if here is None or there is None or here == there or {PUMP, SET} & {here, there}:
            words = msg("{where} on {day} has a swap that does not name two injector positions")
            self._remark(point, here, "no position", words)
            return
        pair = [self.ledger.seat(point.vehicle, position, now) for position in (here, there)]
        for fit, serial in zip(pair, (point.serial_out, point.serial_in), strict=True):
            if fit is not None and serial and not self.ledger.name(fit, serial):
                words = msg("{where} on {day} had another part there than serial {serial}")
                self._remark(point, fit.position, "other serial", words, serial=serial)
        for fit in pair:
            if fit is not None:
                self.ledger.close(fit, now.day, now.order)
        for fit, position in zip(pair, (there, here), strict=True):
            self.ledger.used[point.vehicle].add(position)
            if fit is not None:
                self.ledger.open(point.vehicle, position, fit.part, now)

    def _engine_swap(self, point: WorkPoint, now: Moment) -> None:
        for fit in list(self.ledger.seats[point.vehicle].values()):
            self.ledger.close(fit, now.day, now.order)
        for pump in (True, False):
            self.ledger.since.pop((point.vehicle, pump), None)
        words = msg("{where} on {day} had its engine swapped: say which parts came along, until then all start anew")
        self._remark(point, None, "engine swap", words)

    def _step_the_set(self, point: WorkPoint, now: Moment) -> None:
        """A total over all injectors has another level once one of them is another part."""
        fit = self.ledger.seats[point.vehicle].get(SET)
        if fit is None:
            if point.kind != WorkKind.CLEANING:
                self.ledger.used[point.vehicle].add(SET)  # no longer the set the vehicle began with
            return
        if point.kind == WorkKind.CLEANING:
            self.steps.append((fit, now, point.kind))
            return
        self.ledger.close(fit, now.day, now.order)
        self.ledger.new_life(fit.part, Start.FIRST_TEST)
        self.ledger.open(point.vehicle, SET, fit.part, now)

    def _name_out(self, point: WorkPoint, out: Fit, alone: bool) -> None:
        if point.serial_out and alone and not self.ledger.name(out, point.serial_out):
            words = msg("{where} on {day} gave out serial {serial}, but another part was known there")
            self._remark(point, out.position, "other serial", words, serial=point.serial_out)

    def _remark(
        self, point: TestPoint | WorkPoint, position: str | None, code: str, words: str, **places: object
    ) -> None:
        where = f"{point.vehicle} {position}" if position else point.vehicle
        sentence = _(words, where=where, day=point.day.isoformat(), **places)
        self.remarks.append(Remark(point.vehicle, position, point.day, code, sentence, point.file_id, point.row_no))

    def finish(self, measured: Sequence[Fit]) -> Lives:
        """Name every part and freeze the results, ordered by vehicle, position and time."""
        fits = sorted(self.ledger.fits, key=_place)
        names: dict[int, str] = {}
        taken: set[str] = set()
        for fit in fits:
            if id(fit.part) in names:
                continue
            first = fit.part.fits[0]
            name = fit.part.serial or f"{first.vehicle}/{first.position}/{first.from_date.isoformat()}"
            unique, again = name, 2
            while unique in taken:
                unique, again = f"{name}#{again}", again + 1
            names[id(fit.part)] = unique
            taken.add(unique)
        place = {id(fit): k for k, fit in enumerate(fits)}
        return Lives(
            fitments=tuple(_frozen(fit, names[id(fit.part)]) for fit in fits),
            fitment_of=tuple(place[id(fit)] for fit in measured),
            steps=tuple(
                Step(f.vehicle, f.position, names[id(f.part)], f.life, now.day, now.order, kind)
                for f, now, kind in self.steps
            ),
            remarks=tuple(self.remarks),
        )


def _frozen(fit: Fit, name: str) -> Fitment:
    return Fitment(
        vehicle=fit.vehicle,
        position=fit.position,
        part=name,
        serial=fit.part.serial,
        part_number=fit.part_number,
        from_date=fit.from_date,
        from_order=fit.from_order,
        to_date=fit.to_date,
        to_order=fit.to_order,
        start=fit.start.value,
        life=fit.life,
    )


def _place(fit: Fit) -> tuple[str, int, str, date, int]:
    return (fit.vehicle, len(fit.position), fit.position, fit.from_date, fit.from_order)


def _start(point: WorkPoint) -> Start:
    """Return how a fitted part's life begins; an origin nobody wrote down is not guessed."""
    stated = {start.value: start for start in (Start.NEW, Start.REBUILT, Start.USED)}
    return stated.get(point.origin or "", Start.FIRST_TEST)
