"""The visits that a plan uses as an iCalendar file (RFC 5545), an event of whole days a visit.

The same plan gives the same bytes: an event's UID comes from vehicle and day, its stamp from the day of the plan. So a
calendar that reads a later plan replaces the events whose vehicle and day stayed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING
from uuid import UUID, uuid5

from pipelines.steps.plan_told import PlanTold, VisitLine
from pipelines.steps.plan_words import (
    left_words,
    no_plan_words,
    part_words,
    why_now_words,
    why_part_words,
    work_words,
)
from pipelines.steps.whole_file import write_whole
from wearlab.charts.words import cell
from wearlab.errors import InputError
from wearlab.language import _, number
from wearlab.plan.lines import PlanLine
from wearlab.records import PUMP
from wearlab.study.cautions import cautions

if TYPE_CHECKING:
    from icalendar import Calendar, Event, Journal

SUFFIX = ".ics"
#: the space of all UIDs made here; never to be changed, or calendars show every visit twice
_SPACE = UUID("6f0c7a9e-54f1-5b0e-9d3c-2b8f2f7e1a64")
_UNKNOWN: Mapping[str, str | None] = MappingProxyType({})


def write_calendar(plan: PlanTold, path: Path, *, actuation: Mapping[str, str | None] = _UNKNOWN) -> int:
    """Write the visits of a plan and return how many there are. A file that is there is replaced.

    `actuation` tells by vehicle how its injectors are driven ("piezo", "solenoid"); where it does not, the caution
    about piezo injectors stays in. A plan without visits has one journal entry that says so: a calendar must not be
    empty.

    Raises
    ------
    InputError
        The name does not end in .ics, there is no plan, or the file cannot be written; nothing is written then.
    """
    if path.suffix.lower() != SUFFIX:
        raise InputError(f"{path} is no calendar: give a name that ends in {SUFFIX}")
    if reasons := no_plan_words(plan):
        raise InputError(f"{' '.join(reasons)} Nothing was written to {path}")
    write_whole(path, calendar(plan, actuation=actuation).to_ical(sorted=True))
    return len(_used(plan))


def calendar(plan: PlanTold, *, actuation: Mapping[str, str | None] = _UNKNOWN) -> Calendar:
    """Return the visits of a plan as a calendar, by day and vehicle."""
    from icalendar import Calendar

    made = Calendar()
    made.add("prodid", "-//wearlab//plan//EN")
    made.add("version", "2.0")
    made.add("calscale", "GREGORIAN")
    used = _used(plan)
    lines: dict[tuple[str, date], list[PlanLine]] = defaultdict(list)
    for line in plan.lines:
        lines[line.vehicle, line.day].append(line)
    for visit in used:
        own = lines.get((visit.vehicle, visit.day), [])
        made.add_component(_event(plan, visit, own, actuation.get(visit.vehicle)))
    if not used:
        made.add_component(_nothing(plan))
    return made


def _used(plan: PlanTold) -> list[VisitLine]:
    worked = [visit for visit in plan.visits if visit.replace or visit.test]
    return sorted(worked, key=lambda visit: (visit.day, visit.vehicle))


def _event(plan: PlanTold, visit: VisitLine, lines: Sequence[PlanLine], actuation: str | None) -> Event:
    from icalendar import Event

    made = Event()
    made.add("uid", _uid(visit.vehicle, visit.day))
    made.add("dtstamp", _stamp(plan.as_of))
    made.add("dtstart", visit.day)
    made.add("dtend", visit.day + timedelta(days=1))
    made.add("summary", cell(f"{visit.vehicle}: {work_words(visit)}"))
    made.add("description", "\n".join(_description(plan, visit, lines, actuation)))
    if visit.depot:
        made.add("location", cell(visit.depot))
    made.add("status", "CONFIRMED" if visit.planned else "TENTATIVE")
    made.add("transp", "TRANSPARENT")
    return made


def _nothing(plan: PlanTold) -> Journal:
    from icalendar import Journal

    made = Journal()
    made.add("uid", _uid("", plan.as_of))
    made.add("dtstamp", _stamp(plan.as_of))
    made.add("dtstart", plan.as_of)
    made.add(
        "summary",
        _("The plan of {day} needs no visit in {n} months", day=plan.as_of.isoformat(), n=number(plan.months)),
    )
    return made


def _description(plan: PlanTold, visit: VisitLine, lines: Sequence[PlanLine], actuation: str | None) -> list[str]:
    """What is done and why, part by part; what it costs; what to take care of."""
    told = [_("Planned on {day}: {work}.", day=plan.as_of.isoformat(), work=work_words(visit))]
    if not visit.planned:
        told.append(_("This day is not in the diary: call the vehicle in."))
    told += [_reason(plan, line) for line in lines]
    if visit.cost is not None:
        told.append(_("Expected cost: {money}.", money=f"{number(visit.cost)} {plan.currency}".rstrip()))
    if visit.hours is not None:
        told.append(_("Expected work: {hours} h.", hours=number(visit.hours, 1)))
    touched = {*visit.replace, *visit.test}
    told += ["", _("Take care:")]
    told += cautions(
        drives=[None] if visit.test else [],
        injector=actuation,
        pump_test=PUMP in visit.test,
        injector_named=any(position != PUMP for position in touched),
    )
    return [cell(line) for line in told]


def _reason(plan: PlanTold, line: PlanLine) -> str:
    words = part_words([line.position])
    told = f"{words[:1].upper()}{words[1:]} ({_(line.kind)}): {why_part_words(line)} "
    told += why_now_words(line, in_money=plan.in_money)
    left = left_words(line, plan.currency)
    return f"{told} {left}" if left else told


def _uid(vehicle: str, day: date) -> str:
    return str(uuid5(_SPACE, f"{day.isoformat()} {vehicle}"))


def _stamp(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=UTC)
