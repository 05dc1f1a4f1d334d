"""Did the repair change the level: a vehicle's tests before and after a work, by the wear model of each group."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np

from pipelines.steps.corrections import corrections
from pipelines.steps.fits_kept import kept_fit
from pipelines.steps.group_rows import Flags, groups
from pipelines.steps.lives import fresh_lives, meter_histories
from pipelines.steps.wear_data import GroupData, group_data
from pipelines.steps.wear_learn import MOST_BEYOND, previous_choice
from pipelines.steps.works import Work, distance_on, returns_of, touching, works_of
from pipelines.workspace import Workspace
from wearlab.control.comebacks import Return, comebacks
from wearlab.control.comparison import Change, Pair, compare
from wearlab.errors import InputError
from wearlab.language import _, msg, number
from wearlab.lives.odometer import day_number, day_of
from wearlab.records import PUMP, Driven, Measure, NoAnswer, WorkKind
from wearlab.store.database import Database
from wearlab.store.queries import one_vehicle
from wearlab.wear.group import fit_group
from wearlab.wear.results import WearFit
from wearlab.wear.scale import CANDIDATES, WorkingScale

_NONE_BEFORE = msg("no measured reading before the event, so there is nothing to compare")
_NONE_AFTER = msg("no measured reading after the event, so there is nothing to compare")
_NO_DISTANCE = msg("no usable odometer between the tests, so the wear between them is not known")
_NO_CONTROL = msg(
    "all parts share what the pump delivers while cranking, so the other parts are no control: when one changes, the "
    "others' share changes with it"
)


@dataclass(frozen=True, slots=True)
class PlaceChange:
    """What one place, or the typical one of several (`position` "set"), shows; `change` None: see `no_answer`."""

    position: str
    parts: tuple[str, str]
    change: Change | None
    no_answer: str | None


@dataclass(frozen=True, slots=True)
class GroupComparison:
    """One measure and protocol: the tests nearest to the event, the places, and whether the others are control."""

    measure: str
    protocol: str
    unit: str
    last_before: date | None
    first_after: date | None
    chosen: bool
    control: bool
    places: tuple[PlaceChange, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything `wearlab compare` tells; without a date it only lists `works`."""

    vehicle: str
    as_of: date
    before: date | None
    after: date | None
    done: tuple[Work, ...]
    groups: tuple[GroupComparison, ...]
    returns: tuple[Return, ...]
    within_days: int | None
    within_km: float | None
    works: tuple[Work, ...]


def compare_vehicle(
    place: Workspace,
    text: str,
    as_of: date,
    *,
    before: date | None = None,
    after: date | None = None,
    work: str | None = None,
    within_days: int | None = None,
    within_km: float | None = None,
    say: Callable[[str], None] | None = None,
) -> Comparison:
    """Compare the tests up to a day with those from another day on, or before and after a recorded work.

    Raises
    ------
    InputError, UnknownName
        No such vehicle or work, or days that do not go together.
    """
    with place.open() as db:
        fresh_lives(db, place.settings)
        vehicle = str(one_vehicle(db, text, as_of)["vehicle"])
        works = works_of(db, vehicle, as_of)
        asked = _asked(works, vehicle, before, after, work)
        if asked is None:
            return Comparison(vehicle, as_of, None, None, (), (), (), within_days, within_km, tuple(works))
        until, since, done = asked
        event = min((one.day for one in done), default=since)
        known = corrections(db, as_of)
        found = []
        for measure, protocol in groups(db, as_of):
            group = group_data(db, place.settings, measure, protocol, as_of)
            held = _holds_rail(place, protocol)
            marked = _Marked.of(group, vehicle, until, since, done, works, held=held)
            if marked is None:
                continue
            if say is not None:
                say(f"{measure}, {protocol}: fitting")
            factor = known[measure, protocol].factor if (measure, protocol) in known else 1.0
            found.append(_compared(db, group, marked, factor))
        positions = tuple(dict.fromkeys(p for one in done for p in one.positions))
        meter = meter_histories(db, vehicle).get(vehicle)
        returns = comebacks(
            event,
            distance_on(meter, event),
            returns_of(db, vehicle, positions, event, as_of, meter),
            within_days=within_days,
            within_km=within_km,
        )
    return Comparison(
        vehicle, as_of, until, since, tuple(done), tuple(found), returns, within_days, within_km, tuple(works)
    )


def _asked(
    works: list[Work], vehicle: str, before: date | None, after: date | None, name: str | None
) -> tuple[date, date, list[Work]] | None:
    """Return the last day before, the first day after, and the work between; None: nothing was asked."""
    if name is not None:
        if before is not None or after is not None:
            raise InputError("give either --work or --before and --after")
        one = next((work for work in works if work.id == name), None)
        if one is None:
            listed = f'see "wearlab compare {vehicle}" for its work' if works else "no work on its parts is recorded"
            raise InputError(f'{vehicle} has no work "{name}": {listed}')
        return one.day, one.day, [work for work in works if work.day == one.day]
    if before is None and after is None:
        return None
    if before is None or after is None:
        raise InputError("give both days, --before DATE (the last test before) and --after DATE (the first one after)")
    if before >= after:
        raise InputError(f"--before {before} has to lie before --after {after}")
    return before, after, [work for work in works if before <= work.day <= after]


@dataclass(frozen=True, slots=True, eq=False)
class _Marked:
    """The vehicle's readings of a group: `after` and `used` (n,) over the group's fitted readings, and the pairs."""

    vehicle: int
    after: Flags
    used: Flags
    pairs: tuple[tuple[str, Pair], ...]
    silent: tuple[tuple[str, str], ...]
    control: bool
    each: bool

    @classmethod
    def of(
        cls,
        group: GroupData,
        vehicle: str,
        until: date,
        since: date,
        done: list[Work],
        works: list[Work],
        *,
        held: bool,
    ) -> _Marked | None:
        """Return None where the group has nothing to do with the vehicle or the work."""
        rows = group.rows
        code = np.flatnonzero(rows.vehicles == vehicle)
        if not code.size or group.data is None:
            return None
        at = group.fitted
        own = rows.vehicle[at] == code[0]
        measured = own & (rows.bound[at] == 0)
        day, position, life = rows.day[at], rows.position[at], rows.life[at]
        later = own & (day >= day_number(since) if until < since else _later(group, own, day_number(since), done))
        earlier = own & ~later & (day <= day_number(until))
        wanted = _positions(done, sorted(set(position[own].tolist())))
        if not wanted:
            return None
        used = ~own | later | earlier
        pairs, silent, mine = [], [], np.zeros(at.size, dtype=np.bool_)
        for place in wanted:
            first = np.flatnonzero(measured & later & (position == place))
            last = np.flatnonzero(measured & earlier & (position == place))
            if not first.size or not last.size:
                silent.append((place, _(_NONE_AFTER if last.size else _NONE_BEFORE)))
                continue
            old, new = int(last[np.argmax(day[last])]), int(first[np.argmin(day[first])])
            swapped = (earlier & (life == life[new])).any()
            pair = Pair(int(life[new]), int(life[new])) if swapped else Pair(int(life[old]), int(life[new]))
            gap = 0.0 if swapped else float(rows.distance_km[at[new]] - rows.distance_km[at[old]])
            if not np.isfinite(gap):
                silent.append((place, _(_NO_DISTANCE)))
                continue
            pairs.append((place, Pair(pair.before, pair.after, max(gap, 0.0))))
            mine |= life == life[new]
            again = touching(works, place, since)
            if again is not None:
                used &= ~(later & (position == place) & (day > day_number(again)))
        control = held or not _one_volume(group)
        if not control:
            used &= ~(later & ~mine)
        each = not done
        return cls(int(code[0]), later, used, tuple(pairs), tuple(silent), control, each)


def _later(group: GroupData, own: Flags, day: int, done: list[Work]) -> Flags:
    """Tests after a work of a day: of that day those "after repair", and those that met the new part."""
    rows, at = group.rows, group.fitted
    when = rows.day[at]
    after: Flags = when > day
    today = own & (when == day)
    fresh = today & rows.after_repair[at]
    for place in {p for one in done for p in one.positions}:
        here = own & (rows.position[at] == place)
        known = set(rows.life[at][here & (when < day)].tolist())
        met = today & here & ~np.isin(rows.life[at], list(known)) if known else np.zeros_like(today)
        fresh |= today & np.isin(rows.test_id[at], rows.test_id[at][met])
    return np.asarray(after | fresh, dtype=np.bool_)


def _positions(done: list[Work], present: list[str]) -> list[str]:
    """The places of a group that a work has to do with; all of them where none is named."""
    named = [p for one in done for p in one.positions]
    whole = not done or any(not one.positions for one in done)
    engine = any(one.kind == WorkKind.ENGINE_SWAP for one in done)
    if not whole:
        return [place for place in present if place in named]
    on_injectors = any(one.kind in (WorkKind.CLEANING, WorkKind.REPLACEMENT, WorkKind.REBUILD) for one in done)
    return [place for place in present if engine or place in named or not (on_injectors and place == PUMP)]


def _one_volume(group: GroupData) -> bool:
    """Whether the parts share what one pump delivers: return flow while cranking."""
    return group.measure == Measure.RETURN_FLOW and group.rows.driven == Driven.CRANK


def _holds_rail(place: Workspace, protocol: str) -> bool:
    """Whether a protocol commands a rail pressure; one that was only read while cranking is what the parts left."""
    stated = place.settings.protocols.get(protocol)
    return stated is not None and stated.rail_bar is not None


def _compared(db: Database, group: GroupData, marked: _Marked, factor: float) -> GroupComparison:
    rows, at = group.rows, group.fitted
    own = rows.vehicle[at] == marked.vehicle
    day = rows.day[at]
    before, after = day[own & marked.used & ~marked.after], day[own & marked.used & marked.after]
    places = [PlaceChange(place, ("", ""), None, why) for place, why in marked.silent]
    notes: list[str] = []
    if marked.pairs:
        fit = fitted_again(db, group)
        if isinstance(fit, NoAnswer):
            places += [PlaceChange(place, ("", ""), None, fit.reason) for place, _ in marked.pairs]
        else:
            places += _places(group, fit, marked, factor)
            scale = fit.best.scale.words
            notes.append(_("readings in the fit: {n}; working scale: {scale}", n=number(at.size), scale=scale))
    if not marked.control:
        notes.append(_(_NO_CONTROL))
    last = None if not before.size else day_of(before.max())
    return GroupComparison(
        measure=group.measure,
        protocol=group.protocol,
        unit=group.unit,
        last_before=last,
        first_after=None if not after.size else day_of(after.min()),
        chosen=last is not None and _complained(db, str(rows.vehicles[marked.vehicle]), last),
        control=marked.control,
        places=tuple(sorted(places, key=lambda one: (one.position == "set", len(one.position), one.position))),
        notes=tuple(notes),
    )


def _places(group: GroupData, fit: WearFit, marked: _Marked, factor: float) -> list[PlaceChange]:
    """Every place; where no work names one, each against the others, and all of them together without a control."""
    lives, code = group.lives, marked.vehicle
    pairs = [pair for _, pair in marked.pairs]
    whole = _safely(fit, code, pairs, marked, factor)
    made: list[Change] | str = whole
    if marked.each and marked.control and len(pairs) > 1 and not isinstance(whole, str):
        made = []
        for pair in pairs:
            one = _safely(fit, code, [pair], marked, factor)
            made += [whole[len(made)]] if isinstance(one, str) else one
        made.append(whole[-1])
    out = []
    for k, (place, pair) in enumerate(marked.pairs):
        names = (str(lives.part[pair.before]), str(lives.part[pair.after]))
        if isinstance(made, str):
            out.append(PlaceChange(place, names, None, made))
        else:
            out.append(PlaceChange(place, names, made[k], None))
    if not isinstance(made, str) and len(pairs) > 1:
        out.append(PlaceChange("set", ("", ""), made[-1], None))
    return out


def _safely(fit: WearFit, code: int, pairs: list[Pair], marked: _Marked, factor: float) -> list[Change] | str:
    try:
        told = compare(fit, code, pairs, marked.after, used=marked.used, widen=factor)
    except InputError as fault:
        return str(fault)
    return told.reason if isinstance(told, NoAnswer) else list(told)


def fitted_again(db: Database, group: GroupData) -> WearFit | NoAnswer:
    """Fit the group on the working scale that the last run weighed most; without a run the scales are weighed now."""
    if group.data is None:
        return NoAnswer(_("no reading of this group may be used"))
    beyond = int(np.count_nonzero(group.rows.bound[group.fitted]))
    if beyond > MOST_BEYOND * group.fitted.size:
        places = {"beyond": number(beyond), "readings": number(group.fitted.size)}
        return NoAnswer(_("{beyond} of {readings} readings lie beyond the scale, so no level can be told", **places))
    previous = previous_choice(db, group.measure, group.protocol)
    scales: tuple[WorkingScale, ...] = ()
    if previous is not None:
        best = previous.names[int(np.argmax(previous.weights))]
        scales = tuple(scale for scale in CANDIDATES if scale.name == best)
    data = group.data
    if not scales:
        return fit_group(data, previous=previous)
    return kept_fit(data, scales, lambda: fit_group(data, scales=scales))


def _complained(db: Database, vehicle: str, day: date) -> bool:
    found = db.value(
        "SELECT count(*) FROM test WHERE vehicle = ? AND tested_on = ? "
        "AND (lower(trim(reason)) = 'complaint' OR coalesce(trim(complaint), '') <> '')",
        [vehicle, day],
    )
    return bool(found)
