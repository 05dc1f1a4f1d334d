"""Commands that look at one vehicle: judge a test, tell its story."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

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
    where = [found.family, f"{found.odometer_km:,.0f} km".replace(",", " ") if found.odometer_km else None]
    about = ", ".join(text for text in where if text)
    out.print(f"{found.vehicle}, tested {found.tested_on}" + (f" ({about})" if about else ""), style="bold")
    for name, text in (("reason", found.reason), ("complaint", found.complaint), ("codes", found.fault_codes)):
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
    for result in test.limits:
        out.print(f"- {result.sentence} [limit version {result.version}; {result.source}]")
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
    from pipelines.steps.story import tell

    today = as_of_date(as_of)
    story = tell(workspace(home), vehicle, today)
    if as_json:
        show_json(story)
        return
    _print_story(story)


def _print_story(story: dict[str, Any]) -> None:
    out = console()
    about = ", ".join(
        f"{name.replace('_', ' ')} {value}" for name, value in story["register"].items() if value is not None
    )
    out.print(story["vehicle"] + (f" ({about})" if about else ""), style="bold")
    usage = story["usage"]
    if usage["km_per_day"] is not None:
        out.print(
            f"drives {usage['km_per_day']:.0f} km a day ({usage['km_per_day_low']:.0f} to "
            f"{usage['km_per_day_high']:.0f}); about {number(usage['distance_now_km'], 0)} km today"
        )
    else:
        out.print(f"distance a day not known: {usage['no_answer']}")
    out.print("")
    out.print(table("Visits", ["date", "km", "reason", "complaint", "codes", "measured"], _visits(story), right=(1,)))
    out.print("")
    out.print(table("Parts", ["position", "part", "since", "until", "start"], _parts(story)))
    if story["work"]:
        out.print("")
        out.print(table("Work and events", ["date", "km", "what", "where", "words"], _work(story), right=(1,)))
    out.print("")
    heads = ["position", "measure", "state", "level (9 in 10)", "limit", "crosses", "why not"]
    out.print(table("What is due (simple line, not calibrated)", heads, _states(story), right=(4,)))


def _visits(story: dict[str, Any]) -> list[list[str]]:
    return [
        [
            day(item["date"]),
            number(item["odometer_km"], 0),
            item["reason"] or "",
            item["complaint"] or "",
            item["fault_codes"] or "",
            "; ".join(item["measured"]),
        ]
        for item in story["visits"]
    ]


def _parts(story: dict[str, Any]) -> list[list[str]]:
    return [
        [item["position"], item["part"], day(item["from_date"]), day(item["to_date"]), item["start"]]
        for item in story["parts"]
    ]


def _work(story: dict[str, Any]) -> list[list[str]]:
    return [
        [
            day(item["done_on"]),
            number(item["odometer_km"], 0),
            item["kind"].replace("_", " "),
            " <-> ".join(text for text in (item["position"], item["position_to"]) if text),
            item["note"] or "",
        ]
        for item in story["work"]
    ]


def _states(story: dict[str, Any]) -> list[list[str]]:
    rows = []
    for item in story["due"]:
        level = "-"
        if item["level"] is not None:
            level = f"{item['level']:.1f} ({item['level_low']:.1f} to {item['level_high']:.1f}) {item['unit']}"
        rows.append(
            [
                item["position"],
                f"{item['measure']}, {item['protocol']}",
                item["state"],
                level,
                number(item["limit"]),
                day(item["date_p50"]),
                item["no_answer"] or "",
            ]
        )
    return rows
