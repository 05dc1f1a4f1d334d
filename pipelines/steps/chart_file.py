"""The chart of a vehicle, a part, a family or a rig: which one a name means, and its drawing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal, get_args

from pipelines.steps.figure_file import Drawing
from pipelines.workspace import Workspace
from wearlab.charts.series import Series
from wearlab.charts.words import day_words, measure_words, position_words
from wearlab.errors import InputError, UnknownName
from wearlab.store.database import Database
from wearlab.store.queries import one_vehicle

What = Literal["vehicle", "part", "family", "rig"]
WHAT: tuple[What, ...] = get_args(What)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be drawn: its kind, its name as stored, and of a part the vehicle that it was tested on last."""

    what: What
    name: str
    vehicle: str = ""


@dataclass(frozen=True, slots=True)
class Narrowed:
    """What of it: one position of a vehicle, one tube of a rig, one measure, one protocol."""

    position: str | None = None
    tube: str | None = None
    measure: str | None = None
    protocol: str | None = None


def chart_of(
    place: Workspace,
    text: str,
    as_of: date,
    narrowed: Narrowed,
    *,
    what: What | None = None,
    say: Callable[[str], None] | None = None,
) -> Drawing:
    """Return the drawing of what is called `text` as of a day; what is stale is worked out first.

    Raises
    ------
    UnknownName
        Nothing is called so.
    InputError
        Several things are called so and `what` is not given, it has no such tests, or the options do not go together.
    """
    with place.open() as db:
        wanted = find(db, text, as_of, what)
    if wanted.what != "rig" and narrowed.tube is not None:
        raise InputError("--tube belongs to a rig")
    if wanted.what != "vehicle" and narrowed.position is not None:
        raise InputError("--part belongs to a vehicle; a part itself is called by its own name")
    if wanted.what == "rig":
        return _rig(place, wanted, as_of, narrowed, say)
    if wanted.what == "family":
        return _family(place, wanted, as_of, narrowed, say)
    return _vehicle(place, wanted, as_of, narrowed, say)


def find(db: Database, text: str, as_of: date, what: What | None = None) -> Wanted:
    """Return what is called `text`, upper and lower case alike.

    Raises
    ------
    UnknownName
        Nothing is called so.
    InputError
        Several kinds of things are, and `what` is not given.
    """
    found: list[Wanted] = []
    try:
        found.append(Wanted("vehicle", str(one_vehicle(db, text, as_of)["vehicle"])))
    except UnknownName:
        if what == "vehicle":
            raise
    parts = db.rows(
        "SELECT part, vehicle FROM fitment WHERE (lower(part) = lower(?) OR lower(serial) = lower(?)) "
        "AND from_date <= ? ORDER BY from_date DESC, from_order DESC LIMIT 1",
        [text, text, as_of],
    )
    found += [Wanted("part", str(part), str(vehicle)) for part, vehicle in parts]
    families = _names(db, "SELECT DISTINCT family FROM register WHERE family IS NOT NULL ORDER BY 1")
    rigs = _names(db, "SELECT DISTINCT rig FROM test WHERE rig IS NOT NULL ORDER BY 1")
    found += [Wanted("family", name) for name in families if name.casefold() == text.casefold()]
    found += [Wanted("rig", name) for name in rigs if name.casefold() == text.casefold()]
    if what is not None:
        found = [one for one in found if one.what == what]
    if not found:
        known = f"families are {_listed(families)}; rigs are {_listed(rigs)}"
        raise UnknownName(f'no {what or "vehicle, part, family or rig"} is called "{text}": {known}')
    if len(found) > 1:
        kinds = " and a ".join(one.what for one in found)
        raise InputError(f'"{text}" is a {kinds}: say which with --what')
    return found[0]


def _names(db: Database, sql: str) -> list[str]:
    return [str(name) for (name,) in db.rows(sql)]


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names) or "none"


def _vehicle(
    place: Workspace, wanted: Wanted, as_of: date, narrowed: Narrowed, say: Callable[[str], None] | None
) -> Drawing:
    from pipelines.steps.fleet_facts import tell
    from wearlab.charts.part import part_figure, part_title
    from wearlab.charts.vehicle import describe, panels, vehicle_figure

    name = wanted.vehicle or wanted.name
    history = tell(place, name, as_of, say=say).history
    every = () if history is None else history.series
    kept = tuple(
        one
        for one in every
        if one.points
        and (wanted.what != "part" or one.part == wanted.name)
        and narrowed.position in (None, one.position)
        and narrowed.measure in (None, one.measure)
        and narrowed.protocol in (None, one.protocol)
    )
    if history is None or not kept:
        raise InputError(f"{_subject(wanted, narrowed)} has no such readings; {_tests(every)}")
    one_part = wanted.what == "part" or narrowed.position is not None
    if narrowed.position is not None:
        # earlier parts of that place have names of their own
        kept = tuple(one for one in kept if one.current) or kept
    shown = replace(history, series=kept)
    groups = panels(shown)
    if one_part and len(kept) == 1:
        return Drawing(part_title(shown, kept[0]), describe(kept), lambda: part_figure(shown, kept[0], always=True))
    where = f"{name} {position_words(kept[0].position)}" if one_part else name
    title = f"{where}, {day_words(as_of)}"
    return Drawing(title, _described(groups), lambda: vehicle_figure(shown, heading=title))


def _described(groups: Sequence[Sequence[Series]]) -> str:
    from wearlab.charts.vehicle import describe

    return " ".join(f"{_capital(_test(group[0]))}: {describe(group)}" for group in groups)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _test(series: Series) -> str:
    return f"{measure_words(series.measure)}, {series.protocol}"


def _tests(every: Sequence[Series]) -> str:
    tests = list(dict.fromkeys(_options(one.measure, one.protocol) for one in every if one.points))
    return f"its vehicle was tested by {'; '.join(tests)}" if tests else "its vehicle has no test at all"


def _subject(wanted: Wanted, narrowed: Narrowed) -> str:
    return f"{wanted.name} {narrowed.position}" if narrowed.position else wanted.name


def _rig(
    place: Workspace, wanted: Wanted, as_of: date, narrowed: Narrowed, say: Callable[[str], None] | None
) -> Drawing:
    from pipelines.steps.control_figures import rig_figure
    from pipelines.steps.control_rigs import rig_visits
    from wearlab.charts.control import control_figure
    from wearlab.charts.control_series import describe

    found = rig_visits(place, wanted.name, as_of, measure=narrowed.measure, protocol=narrowed.protocol, say=say)
    told = [one for one in found if one.whole is not None]
    if narrowed.tube is not None:
        told = [one for one in told if narrowed.tube in [each.name for each in one.tubes]] or told
    if not told:
        raise InputError(f"rig {wanted.name}: {'; '.join(f'{one.test}: {one.no_answer}' for one in found)}")
    if len(told) > 1:
        names = "; ".join(_options(one.measure, one.protocol) for one in told)
        raise InputError(f"the chart of a rig is of one kind of test: choose {names}")
    figure = rig_figure(told[0], narrowed.tube)
    return Drawing(figure.subject, describe(figure), lambda: control_figure(figure))


def _family(
    place: Workspace, wanted: Wanted, as_of: date, narrowed: Narrowed, say: Callable[[str], None] | None
) -> Drawing:
    from pipelines.steps.fleet_facts import gather_fleet
    from pipelines.steps.month_wear import wear_sections
    from wearlab.charts.wear_months import describe, wear_months_figure
    from wearlab.pack.fleet_pictures import wear_figure

    with place.open() as db:
        sections, unsaid = wear_sections(db, gather_fleet(db, place, as_of, say=say))
    own = [one for one in sections if one.whole.family == wanted.name]
    found = [
        one
        for one in own
        if narrowed.measure in (None, one.whole.measure) and narrowed.protocol in (None, one.whole.protocol)
    ]
    if not found:
        why = [text for text in unsaid if wanted.name in text] or list(unsaid)
        tests = "; ".join(_options(one.whole.measure, one.whole.protocol) for one in own)
        told = f"wear over the months is told of {tests}" if own else " ".join(why) or "no test of it is stored"
        raise InputError(f"there is no chart of {wanted.name}: {told}")
    if len(found) > 1:
        tests = "; ".join(_options(one.whole.measure, one.whole.protocol) for one in found)
        raise InputError(f"the chart of a family is of one kind of test: choose {tests}")
    figure = wear_figure(found[0])
    return Drawing(figure.subject, describe(figure), lambda: wear_months_figure(figure))


def _options(measure: str, protocol: str) -> str:
    return f'--measure {measure} --protocol "{protocol}"'
