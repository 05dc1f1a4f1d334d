"""One vehicle's story on a screen: what is due and how sure that is, levels and dates, visits, parts."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from pipelines.cli.common import about, console, day, number, table
from wearlab.language import _
from wearlab.records import STATE_MARK, State

if TYPE_CHECKING:
    from rich.table import Table

    from wearlab.pack.view import PartState, VehicleView, VisitRow


def print_story(story: VehicleView, today: date) -> None:
    """Print one vehicle's story as of a day."""
    out = console()
    told = [story.family, story.depot, story.duty, story.fuel_supply]
    cylinders = f"{story.cylinders} cylinders" if story.cylinders else ""
    known = ", ".join(text for text in (*told, cylinders) if text)
    out.print(story.vehicle + (f" ({known})" if known else ""), style="bold")
    if story.aliases:
        out.print(f"also written {', '.join(story.aliases)}")
    if story.km_per_day is not None:
        out.print(
            f"drives {story.km_per_day:.0f} km a day ({story.km_per_day_low:.0f} to {story.km_per_day_high:.0f}); "
            f"about {about(story.odometer_now_km)} km on the meter today"
        )
    for text in story.usage_notes:
        out.print(f"- {text}")
    if story.leaves_on is not None:
        out.print(f"leaves on {story.leaves_on}")
    _print_states(story, today)
    if story.doubts:
        out.print("")
        out.print("Doubtful readings", style="bold")
    for text in story.doubts:
        out.print(f"- {text}")
    out.print("")
    heads = ["date", "km", "reason", "complaint", "codes", "measured and done"]
    out.print(table("Visits", heads, [_visit(v) for v in story.visits], right=(1,)))
    out.print("")
    parts = [[p.position, p.part, day(p.from_date), day(p.to_date), _(p.start)] for p in story.parts]
    out.print(table("Parts", ["position", "part", "since", "until", "start"], parts))


def _visit(item: VisitRow) -> list[str]:
    done = "\n".join((*item.tests, *(f"work: {text}" for text in item.work)))
    return [day(item.day), number(item.odometer_km, 0), item.reason, item.complaint, item.fault_codes, done]


#: a screen narrower than this has an interval under its value, not beside it
_BESIDE = 118


def _print_states(story: VehicleView, today: date) -> None:
    from wearlab.pack.answers import booking_answers, next_tests
    from wearlab.pack.booking import FAN_WORDS
    from wearlab.pack.state_tables import state_tables

    out = console()
    out.print("")
    out.print("What is due: when should it be booked, and how sure is that?", style="bold")
    if not story.states:
        out.print("No part of this vehicle has a reading that can be followed.")
        return
    for text in (*booking_answers(story.states, today), *next_tests(story.states, today)):
        out.print(f"- {text}")
    wide = out.width >= _BESIDE
    heads = ["part", "state", "level now", "rate", "next reading", "new part", "limit"]
    for found in state_tables(story.states):
        out.print("")
        # beside the table, which may be narrower than its title
        out.print(f"{found.title}: {found.figures}", style="italic")
        between = " " if wide else "\n"
        out.print(table("", heads, [_state(item, between) for item in found.rows], right=(6,)))
        dated_rows = [item for item in found.rows if item.date_p10 is not None or item.past is not None]
        if dated_rows:
            out.print("")
            out.print(_dates(dated_rows, today, wide=wide))
        out.print(found.basis)
        for text in found.remarks:
            out.print(f"- {text}")
    out.print("")
    out.print(
        "In brackets what 9 in 10 lie between. Level now: the true level. Next reading: what one more test would show. "
        "New part: the true level of a part newly fitted to this vehicle. Early, most likely, late: 1, 5 and 9 in 10 "
        "to be past the limit by then." + (f" Months: {_(FAN_WORDS)}." if wide else "")
    )


def _dates(items: list[PartState], today: date, *, wide: bool) -> Table:
    """Early, likely and late date and odometer of each part, with its chances."""
    from pipelines.cli.due_list import date_cells
    from wearlab.forecast.chance_words import chance_words
    from wearlab.pack.booking import Booking

    def chance(value: float | None) -> str:
        return "-" if value is None else chance_words(value)

    told = [Booking.of_part(item, today) for item in items]
    columns = [["part", *(item.position for item in items)]]
    columns += [list(column) for column in zip(("early", "most likely", "late"), *map(date_cells, told), strict=True)]
    columns += [
        [head, *(chance(getattr(item, name)) for item in items)]
        for head, name in (("past now", "past"), ("in 90 days", "within_90"), ("next test past", "next_reading_past"))
        if any(getattr(item, name) is not None for item in items)
    ]
    fans = [one.fan() for one in told]
    if wide and any(fan.strip(".") for fan in fans):
        columns.append(["months from now", *fans])
    heads, *rows = (list(row) for row in zip(*columns, strict=True))
    return table("", heads, rows, whole=tuple(range(1, len(heads))) if wide else (1, 2, 3))


def _state(item: PartState, between: str) -> list[str]:
    from wearlab.charts.words import level_words, levels_words, limit_words
    from wearlab.pack.wear_words import rate_words

    def span(low: float | None, high: float | None) -> str:
        return "-" if low is None or high is None else " to ".join(levels_words(low, high))

    level = level_words(item.level)
    if item.level_low is not None:
        level += f"{between}({span(item.level_low, item.level_high)})"
    rate, ends = rate_words(item.rate_low, item.rate, item.rate_high)
    if ends:
        rate += f"{between}({ends})"
    return [
        item.position,
        f"{STATE_MARK[State(item.state)]} {item.state}",
        level,
        rate,
        span(item.next_low, item.next_high),
        span(item.new_low, item.new_high),
        "-" if item.limit is None else limit_words(item.limit),
    ]
