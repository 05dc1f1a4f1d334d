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
    parse_date,
    show_json,
    status_line,
    table,
    workspace,
)

if TYPE_CHECKING:
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
    where = [found.family, f"{found.odometer_km:,.0f} km" if found.odometer_km else None]
    known = ", ".join(text for text in where if text)
    out.print(f"{found.vehicle}, tested {found.tested_on}" + (f" ({known})" if known else ""), style="bold")
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
    from pipelines.cli.story import print_story
    from pipelines.steps.fleet_facts import tell

    today = as_of_date(as_of)
    with status_line(quiet=as_json) as say:
        story = tell(workspace(home), vehicle, today, say=say)
    if as_json:
        show_json(story)
    else:
        print_story(story, today)
