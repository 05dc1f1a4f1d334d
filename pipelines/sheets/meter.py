"""Meter readings of a vehicle beside each other: going back, standing still, slips of digits, miles and hours.

Arrays of one entry a reading, sorted by vehicle, meter and day; what is found names a reading and, where one is
likely, the value meant. The vehicle's true distance is worked out later from its whole history.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pipelines.sheets.cells import Bools, Floats, Ints
from pipelines.sheets.checks import KM_A_DAY_MOST, KM_AN_HOUR, STUCK_DAYS, STUCK_KM
from pipelines.sheets.questions import Question

_FACTORS = (10.0, 100.0, 1000.0, 0.1, 0.01)
_MILE = 1.609344
#: A reading taken for miles must fit the vehicle's usual pace within this factor.
_PACE_ROOM = 3.0
#: A wild value is passed over in search of readings that go on from the last believed one, so far ahead at most.
_LOOK_AHEAD = 6


@dataclass(frozen=True, slots=True)
class Odd:
    """One reading that a rule doubts; `place` is its index."""

    place: int
    code: str
    more: str
    suggestion: str | None = None


@dataclass(slots=True)
class Meters:
    """Distinct meter readings sorted by `code` (one for each vehicle and meter), then day, then km.

    `own` : whether a row of a sheet says it (else it was stated with a change of the meter); `support` : how many
    rows say so; `hours` : days and engine hours known for each code.
    """

    code: Ints
    when: Ints
    km: Floats
    own: Bools
    support: Ints
    names: list[str]
    hours: dict[int, list[tuple[int, float]]] = field(default_factory=dict)

    def suspects(self) -> set[int]:
        """Codes in which two neighbours do not belong together or the meter shows the same three times."""
        same = self.code[1:] == self.code[:-1]
        odd = same & self._leaps()
        found = set(self.code[1:][odd].tolist())
        still = same & (self.km[1:] == self.km[:-1])
        found |= set(self.code[2:][still[1:] & still[:-1]].tolist())
        return found

    def _leaps(self) -> Bools:
        days = np.maximum(self.when[1:] - self.when[:-1], 1)
        step = self.km[1:] - self.km[:-1]
        leaps: Bools = (step > KM_A_DAY_MOST * days) | ((step < 0) & (self.when[1:] > self.when[:-1]))
        return leaps


def judge(meters: Meters) -> tuple[list[Odd], list[Question]]:
    """Return the readings that do not fit, and at most one question a vehicle and kind."""
    found: list[Odd] = []
    questions: dict[tuple[str, str], Question] = {}
    for code in sorted(meters.suspects()):
        places = np.flatnonzero(meters.code == code)
        one = _judge_one(meters, places)
        found += one
        for question in _ask(meters, places, one):
            questions.setdefault((question.kind, question.subject), question)
    return found, list(questions.values())


def _judge_one(meters: Meters, places: Ints) -> list[Odd]:
    """Go through the readings of one meter; each is set beside the last that could be believed."""
    found: dict[int, Odd] = {}
    pace = _pace(meters.when[places], meters.km[places])
    kept = [int(places[0])]
    last = int(places[-1])
    for after in places[1:].tolist():
        before = kept[-1]
        if _consistent(meters, before, after):
            kept.append(after)
            continue
        ahead = range(after + 1, min(after + _LOOK_AHEAD, last) + 1)
        back = next((place for place in ahead if _consistent(meters, before, place)), None)
        odd = _explained(meters, kept, after, back, last, pace)
        if meters.own[odd.place]:
            found[odd.place] = odd
        if odd.place == before:
            kept[-1] = after
        elif back is None and after < last and _consistent(meters, after, after + 1):
            kept.append(after)  # the meter goes on from here
    for odd in _stuck(meters, places, pace):
        if meters.own[odd.place]:
            found.setdefault(odd.place, odd)
    return list(found.values())


def _consistent(meters: Meters, first: int, second: int) -> bool:
    """Whether one meter can have shown both."""
    days = max(int(meters.when[second] - meters.when[first]), 1)
    return 0 <= float(meters.km[second] - meters.km[first]) <= KM_A_DAY_MOST * days


def _explained(meters: Meters, kept: list[int], after: int, back: int | None, last: int, pace: float) -> Odd:
    """Which of two readings is wrong, and how: digits moved, another unit, hours, or simply less than before.

    `back` : the next reading that agrees with the last kept one. The reading whose absence leaves fewer others in
    doubt is the wrong one; where both are alike, the one that a known slip explains, else the later.
    """
    before, earlier = kept[-1], kept[-2] if len(kept) > 1 else None
    step, days = float(meters.km[after] - meters.km[before]), int(meters.when[after] - meters.when[before])
    apart = _spaced(f"{abs(step):,.0f} km in {max(days, 1)} days")
    low = after if step < 0 else before
    if meters.own[low] and _runs_with_hours(meters, low):
        return Odd(low, "odometer_hours", apart)
    following = after + 1 if after < last else None
    without_before = (earlier is not None and not _consistent(meters, earlier, after)) + (
        following is not None and not _consistent(meters, after, following)
    )
    without_after = int(following is not None and not _consistent(meters, before, following))
    guilty = (
        [after] if without_after < without_before else [before] if without_before < without_after else [after, before]
    )
    around = {after: (before, back if back is not None else following), before: (earlier, after)}
    slips: list[tuple[int, bool, int, float]] = []
    for place in guilty:
        whole = bool(meters.km[place] == np.round(meters.km[place]))
        guesses = [float(meters.km[place] * factor) for factor in _FACTORS]
        fitting = [guess for guess in guesses if _fits(meters, place, guess, around[place], KM_A_DAY_MOST)]
        if fitting:
            off = [_off_pace(meters, place, guess, around[place], pace) for guess in fitting]
            likely = fitting[int(np.argmin(off))]
            slips.append((int(meters.support[place]), whole, place, likely))
    if slips:  # the reading written down less often, then the one with a fraction
        _, _, place, guess = min(slips, key=lambda one: one[:2])
        return Odd(place, "odometer_slip", apart, f"{guess:g} km")
    for place in guilty:
        for factor, unit in ((_MILE, "miles"), (1 / _MILE, "kilometres")):
            guess = float(meters.km[place] * factor)
            if None not in around[place] and _fits(meters, place, guess, around[place], pace * _PACE_ROOM):
                return Odd(place, "odometer_miles", f"{apart}, {unit}", f"{guess:.0f} km")
    place = guilty[0]
    if place == after and back is not None and step < 0 and _like_hours(meters, before, after):
        return Odd(after, "odometer_hours", apart)
    if place == after and step < 0:
        return Odd(after, "odometer_back", _spaced(f"{meters.km[before]:,.0f} km of {_date(meters.when[before])}"))
    return Odd(place, "odometer_slip", apart)


def _fits(meters: Meters, place: int, guess: float, around: tuple[int | None, int | None], most_a_day: float) -> bool:
    """Whether a value lies between its neighbours at a possible pace; one neighbour at least is needed."""
    for other in around:
        if other is None:
            continue
        days = max(abs(int(meters.when[place] - meters.when[other])), 1)
        step = (guess - float(meters.km[other])) * (1 if other < place else -1)
        if not 0 <= step <= most_a_day * days:
            return False
    return around != (None, None)


def _off_pace(meters: Meters, place: int, guess: float, around: tuple[int | None, int | None], pace: float) -> float:
    """How far (km) a value lies from where the usual pace leads from its neighbours; 0 where no pace is known."""
    if np.isnan(pace):
        return 0.0
    off = [
        abs(guess - float(meters.km[other]) - pace * float(meters.when[place] - meters.when[other]))
        for other in around
        if other is not None
    ]
    return max(off)


def _runs_with_hours(meters: Meters, place: int) -> bool:
    """Whether a value lies on the track of the vehicle's engine hours."""
    value, day = float(meters.km[place]), int(meters.when[place])
    known = meters.hours.get(int(meters.code[place]), [])
    if not known:
        return False
    low = max((hours for when, hours in known if when <= day), default=0.0)
    high = min((hours for when, hours in known if when >= day), default=float("inf"))
    if high == float("inf"):
        high = low + 24.0 * max(day - max(when for when, _ in known), 1)
    return low <= value <= high


def _like_hours(meters: Meters, before: int, place: int) -> bool:
    """Whether a low value that stands alone could be the hours in which the distance before it was driven."""
    least, most = KM_AN_HOUR
    value = float(meters.km[place])
    return value > 0 and least <= float(meters.km[before]) / value <= most


def _stuck(meters: Meters, places: Ints, pace: float) -> list[Odd]:
    """Readings after the first of a run of one value over several days in which the vehicle should have gone on."""
    found: list[Odd] = []
    start = 0
    for stop in range(1, len(places) + 1):
        if stop < len(places) and meters.km[places[stop]] == meters.km[places[start]]:
            continue
        run = places[start:stop]
        start = stop
        due = pace * float(meters.when[run[-1]] - meters.when[run[0]])
        if len(np.unique(meters.when[run])) >= STUCK_DAYS and due >= STUCK_KM:
            more = f"{_date(meters.when[run[0]])} while about {_spaced(f'{due:,.0f}')} km were due"
            found += [Odd(int(place), "odometer_stuck", more) for place in run[1:]]
    return found


def _ask(meters: Meters, places: Ints, found: list[Odd]) -> list[Question]:
    questions: list[Question] = []
    name = meters.names[int(meters.code[places[0]])]
    odd = {one.place for one in found}
    for one in found:
        if one.code == "odometer_back":
            follows = [int(place) for place in places if place > one.place and place not in odd]
            before = one.place - 1
            if len(follows) >= 2 and all(meters.km[place] < meters.km[before] for place in follows[:2]):
                between = f"between {_date(meters.when[before])} and {_date(meters.when[one.place])}"
                went = _spaced(f"{meters.km[before]:,.0f} to {meters.km[one.place]:,.0f} km")
                questions.append(Question("meter", name, f"Was the meter of {name} replaced {between} ({went})?", 0))
    miles = sum(one.code == "odometer_miles" for one in found)
    if miles >= 2:
        questions.append(
            Question("odometer unit", name, f"Were {miles} meter readings of {name} written in another unit?", 0)
        )
    return questions


def _pace(when: Ints, km: Floats) -> float:
    """The vehicle's usual km a day, of readings next but one that belong together; NaN where none do."""
    paces = []
    for apart in (1, 2):
        days, step = when[apart:] - when[:-apart], km[apart:] - km[:-apart]
        good = (days > 0) & (step > 0) & (step <= KM_A_DAY_MOST * days)
        paces.append(step[good] / days[good])
    found = np.concatenate(paces)
    return float(np.median(found)) if len(found) else float("nan")


def _spaced(text: str) -> str:
    return text.replace(",", " ")


def _date(day: int) -> str:
    return str(np.datetime64(int(day), "D"))
