"""Commands that look at one vehicle: judge a test, tell its story."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.common import (
    HERE,
    AsOf,
    Home,
    Json,
    as_of_date,
    console,
    day,
    number,
    parse_date,
    show_json,
    status_line,
    table,
    workspace,
)
from wearlab.records import STATE_MARK, State

if TYPE_CHECKING:
    from collections.abc import Callable

    from wearlab.pack.view import PartState, VehicleView, VisitRow
    from wearlab.study.judgement import Judgement, ShownTest


def judge(
    vehicle: Annotated[str, typer.Argument(help="The vehicle.")],
    on: Annotated[str | None, typer.Argument(metavar="[DATE]", help="Day of the test; default the last.")] = None,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Judge one test without any model: what stands out, the limits, what to do next."""
    from pipelines.steps.judge import judge_vehicle

    today = as_of_date(as_of)
    found = judge_vehicle(workspace(home), vehicle, None if on is None else parse_date(on, "the day"), today)
    if as_json:
        show_json(found)
        return
    _print_judgement(found)


def _print_judgement(found: Judgement) -> None:
    out = console()
    where = [found.family, f"{found.odometer_km:,.0f} km".replace(",", " ") if found.odometer_km else None]
    about = ", ".join(text for text in where if text)
    out.print(f"{found.vehicle}, tested {found.tested_on}" + (f" ({about})" if about else ""), style="bold")
    for name, text in (
        ("reason", found.reason),
        ("complaint", found.complaint),
        ("codes", found.fault_codes),
    ):
        if text:
            out.print(f"{name}: {text}")
    out.print("")
    out.print(found.headline, style="bold")
    for test in found.tests:
        out.print("")
        _print_test(test)
    more = [finding for finding in found.findings if finding.sentence]
    if more:
        out.print("")
        out.print("What it points to", style="bold")
    for finding in more:
        out.print(f"- {finding.sentence}")
        for evidence in finding.evidence:
            out.print(f"    {evidence}")
        out.print(f"    (rule: {finding.source})")
    if found.weaknesses:
        out.print("")
        out.print("What makes this test weak", style="bold")
        for sentence in dict.fromkeys(weak.sentence for weak in found.weaknesses):
            out.print(f"- {sentence}")
    out.print("")
    out.print("Next", style="bold")
    for step in found.next_steps:
        out.print(f"- {step}")
    out.print("")
    out.print("Take care", style="bold")
    for caution in found.cautions:
        out.print(f"- {caution}")


def _print_test(test: ShownTest) -> None:
    from wearlab.study.limit_results import short

    out = console()
    conditions = ", ".join(f"{name} {value}" for name, value in test.conditions)
    rows = [
        [
            row.name,
            row.text,
            "-" if row.of_median is None else f"{row.of_median:.2f}",
            "-" if row.of_lowest is None else f"{row.of_lowest:.2f}",
            row.remark,
        ]
        for row in test.comparison.rows
    ]
    heads = ["position", "reading", "x median", "x lowest", ""]
    out.print(table(test.title, heads, rows, right=(1, 2, 3)))
    if conditions:
        out.print(f"as tested: {conditions}")
    for sentence in test.comparison.sentences:
        out.print(f"- {sentence}")
    for result in short(test.limits):
        out.print(f"- {result.sentence} [{result.rule}, version {result.version}; {result.source}]")
    for text in (test.unjudged, *test.notes):
        if text:
            out.print(f"- {text}")


def vehicle(
    vehicle: Annotated[str, typer.Argument(help="The vehicle.")],
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Tell one vehicle's story: visits, complaints, readings, parts, work, what is due."""
    from pipelines.steps.fleet_facts import tell

    today = as_of_date(as_of)
    with status_line(quiet=as_json) as say:
        story = tell(workspace(home), vehicle, today, say=say)
    if as_json:
        show_json(story)
    else:
        _print_story(story)


def _print_story(story: VehicleView) -> None:
    out = console()
    told = [story.family, story.depot, story.duty, story.fuel_supply]
    cylinders = f"{story.cylinders} cylinders" if story.cylinders else ""
    about = ", ".join(text for text in (*told, cylinders) if text)
    out.print(story.vehicle + (f" ({about})" if about else ""), style="bold")
    if story.aliases:
        out.print(f"also written {', '.join(story.aliases)}")
    if story.km_per_day is not None:
        out.print(
            f"drives {story.km_per_day:.0f} km a day ({story.km_per_day_low:.0f} to {story.km_per_day_high:.0f}); "
            f"about {number(story.odometer_now_km, 0)} km on the meter today"
        )
    for text in story.usage_notes:
        out.print(f"- {text}")
    if story.leaves_on is not None:
        out.print(f"leaves on {story.leaves_on}")
    _print_states(story)
    if story.doubts:
        out.print("")
        out.print("Doubtful readings", style="bold")
    for text in story.doubts:
        out.print(f"- {text}")
    out.print("")
    heads = ["date", "km", "reason", "complaint", "codes", "measured and done"]
    out.print(table("Visits", heads, [_visit(v) for v in story.visits], right=(1,)))
    out.print("")
    parts = [[p.position, p.part, day(p.from_date), day(p.to_date), p.start] for p in story.parts]
    out.print(table("Parts", ["position", "part", "since", "until", "start"], parts))


def _visit(item: VisitRow) -> list[str]:
    done = "\n".join((*item.tests, *(f"work: {text}" for text in item.work)))
    return [day(item.day), number(item.odometer_km, 0), item.reason, item.complaint, item.fault_codes, done]


#: a screen narrower than this has an interval under its value, not beside it
_BESIDE = 118


def _print_states(story: VehicleView) -> None:
    from wearlab.pack.state_tables import state_tables

    out = console()
    out.print("")
    out.print("What is due", style="bold")
    if not story.states:
        out.print("No part of this vehicle has a reading that can be followed.")
        return
    heads = ["part", "state", "level now", "rate", "next reading", "new part", "limit", "crosses"]
    between = " " if out.width >= _BESIDE else "\n"
    for found in state_tables(story.states):
        out.print("")
        title = f"{found.title}: levels in {found.unit}, rates {found.rates}"
        out.print(table(title, heads, [_state(item, between) for item in found.rows], right=(6,)))
        out.print(found.basis)
        for text in found.remarks:
            out.print(f"- {text}")
    out.print("")
    out.print(
        "In brackets what 9 in 10 lie between. Level now: the true level. Next reading: what one more test would show. "
        "New part: the true level of a new part after as much use. Crosses: most likely date."
    )


def _state(item: PartState, between: str) -> list[str]:
    from wearlab.charts.words import level_words, limit_words
    from wearlab.pack.wear_words import figure

    def span(low: float | None, high: float | None, words: Callable[[float], str] = level_words) -> str:
        return "-" if low is None or high is None else f"{words(low)} to {words(high)}"

    level, rate = level_words(item.level), figure(item.rate)
    if item.level_low is not None:
        level += f"{between}({span(item.level_low, item.level_high)})"
    if item.rate_low is not None:
        rate += f"{between}({span(item.rate_low, item.rate_high, figure)})"
    return [
        item.position,
        f"{STATE_MARK[State(item.state)]} {item.state}",
        level,
        rate,
        span(item.next_low, item.next_high),
        span(item.new_low, item.new_high),
        "-" if item.limit is None else limit_words(item.limit),
        day(item.date_p50),
    ]
