"""Commands for the workshop's questions: did the repair help, do readings repeat, do the rigs read true."""

from __future__ import annotations

from dataclasses import asdict
from math import isfinite
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
    status_line,
    table,
    workspace,
)

if TYPE_CHECKING:
    from pipelines.steps.compare import Comparison, GroupComparison, PlaceChange
    from pipelines.steps.repeats import GroupRepeats
    from pipelines.steps.rigs import Rigs
    from wearlab.wear.line import Interval

#: rows named in a list; the rest is counted, and all of them stand in the JSON
_NAMED = 20


def compare(
    vehicle: Annotated[str, typer.Argument(help="The vehicle.")],
    work: Annotated[
        str | None, typer.Option("--work", metavar="ID", help="A recorded work; without it: a list.")
    ] = None,
    before: Annotated[
        str | None, typer.Option("--before", metavar="DATE", help="The last day before the event.")
    ] = None,
    after: Annotated[str | None, typer.Option("--after", metavar="DATE", help="The first day after the event.")] = None,
    within_days: Annotated[
        int | None, typer.Option("--within-days", min=1, help="A return within so many days is a comeback.")
    ] = None,
    within_km: Annotated[
        float | None, typer.Option("--within-km", min=1, help="A return within so many km is a comeback.")
    ] = None,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Did the repair change the level, by how much, and did the vehicle come back?"""
    from pipelines.steps.compare import compare_vehicle

    days = [
        None if text is None else parse_date(text, name) for text, name in ((before, "--before"), (after, "--after"))
    ]
    with status_line(quiet=as_json) as say:
        found = compare_vehicle(
            workspace(home),
            vehicle,
            as_of_date(as_of),
            before=days[0],
            after=days[1],
            work=work,
            within_days=within_days,
            within_km=within_km,
            say=say,
        )
    if as_json:
        show_json(_plain(found))
        return
    _print_comparison(found)


def _print_comparison(found: Comparison) -> None:
    from pipelines.cli.comparison_words import about_test, answer, comeback_words

    out = console()
    if found.before is None:
        if not found.works:
            out.print(f"No work on {found.vehicle} is recorded: compare two days with --before DATE --after DATE.")
            return
        out.print(f"Which work on {found.vehicle}? Name one with --work ID, or two days with --before and --after.")
        rows = [[one.id, day(one.day), one.words.rsplit(" on ", 1)[0], one.note] for one in found.works]
        out.print(table("", ["id", "date", "work", ""], rows, whole=(0, 1)))
        return
    out.print(answer(found), style="bold")
    for group in found.groups:
        out.print("")
        _print_group(group)
        for sentence in about_test(group):
            out.print(f"- {sentence}")
    out.print("")
    for sentence in comeback_words(found):
        out.print(sentence)
    back = [[day(one.day), str(one.days), number(one.km, 0), _mark(one.within), one.reason] for one in found.returns]
    if back:
        out.print(table("", ["came back", "days", "km", "comeback", "why"], back, right=(1, 2), whole=(0,)))


def _print_group(group: GroupComparison) -> None:
    from wearlab.charts.words import measure_words

    out = console()
    name = measure_words(group.measure)
    title = f"{name[:1].upper()}{name[1:]}, {group.protocol}, {group.unit}"
    if group.last_before is not None and group.first_after is not None:
        title += f" (last test before {day(group.last_before)}, first after {day(group.first_after)})"
    heads = ["part", "expected without", "after", "change", "9 in 10 between", "in %", "smallest that shows"]
    rows = [_place(one) for one in group.places if one.change is not None]
    if rows:
        out.print(table(title, heads, rows, right=(1, 2, 3, 5, 6)))
    else:
        out.print(title)
    for one in group.places:
        if one.change is None:
            out.print(f"- {_where(one.position)}: {one.no_answer}")


def _place(one: PlaceChange) -> list[str]:
    change = one.change
    if change is None:
        return [_where(one.position)]
    return [
        _where(one.position),
        _figure(change.before.point),
        _figure(change.after.point),
        _signed(change.change.point),
        f"{_signed(change.change.low)} to {_signed(change.change.high)}",
        f"{change.percent.point:+.0f}",
        _figure(change.smallest),
    ]


def _where(position: str) -> str:
    from wearlab.charts.words import position_words

    return "typical part of these" if position == "set" else position_words(position)


def _mark(within: bool | None) -> str:
    return "-" if within is None else "yes" if within else "no"


def _figure(value: float) -> str:
    return "-" if not isfinite(value) else f"{value:,.2f}" if abs(value) < 10 else f"{value:,.1f}"


def _signed(value: float) -> str:
    return f"{'+' if value >= 0 else '-'}{_figure(abs(value))}"


def repeats(home: Home = HERE, as_of: AsOf = None, as_json: Json = False) -> None:
    """Do the readings repeat: by technician, rig and channel; what tests can show; how many repeats are worth it."""
    from pipelines.cli.repeat_words import answer
    from pipelines.steps.repeats import repeats as study

    with status_line(quiet=as_json) as say:
        found = study(workspace(home), as_of_date(as_of), say=say)
    if as_json:
        show_json(_plain(found))
        return
    out = console()
    out.print(answer(found), style="bold")
    for group in found:
        out.print("")
        _print_repeats(group)


def _print_repeats(group: GroupRepeats) -> None:
    from pipelines.cli.repeat_words import sentences
    from wearlab.charts.words import measure_words

    out = console()
    name = measure_words(group.measure)
    out.print(f"{name[:1].upper()}{name[1:]}, {group.protocol}", style="bold underline")
    study = group.study
    if study is None:
        out.print(f"{(group.no_answer or '')[:1].upper()}{(group.no_answer or '')[1:]}.")
    else:
        rows = []
        for one in study.spreads:
            between = f"{_figure(one.low)} to {_figure(one.high)}" if isfinite(one.low) else ""
            rows.append([one.source, _figure(one.sd), between, one.no_answer or ""])
        count = f"{study.readings} readings of {study.cells} parts at one visit each, by {study.method}"
        out.print(
            table(f"Scatter, sd in {group.unit} ({count})", ["source", "sd", "9 in 10 between", ""], rows, right=(1,))
        )
        if study.table is not None:
            shown = [
                [row.source, _figure(row.ss), str(row.df), _figure(row.ms), _figure(row.f)] for row in study.table.table
            ]
            out.print(table("Analysis of variance", ["source", "SS", "df", "MS", "F"], shown, right=(1, 2, 3, 4)))
    if group.smallest:
        counts = sorted({one.repeats for one in group.smallest})
        by = {(one.tests, one.repeats): one.change for one in group.smallest}
        rows = [[str(t), *(_figure(by[t, r]) for r in counts)] for t in sorted({one.tests for one in group.smallest})]
        heads = ["tests before and after", *(f"{r} reading{'s' if r > 1 else ''} each" for r in counts)]
        title = f"Smallest change of one part that shows (9 in 10), {group.unit}"
        out.print(table(title, heads, rows, right=tuple(range(1, len(heads)))))
    for sentence in sentences(group):
        out.print(f"- {sentence}")


def rigs(home: Home = HERE, as_of: AsOf = None, as_json: Json = False) -> None:
    """Do the rigs read true: offset over time, channels, self-checks, calibrations due, verdicts that hang on a rig."""
    from pipelines.steps.rigs import rigs as look

    with status_line(quiet=as_json) as say:
        found = look(workspace(home), as_of_date(as_of), say=say)
    if as_json:
        show_json(_plain(found))
        return
    _print_rigs(found)


def _print_rigs(found: Rigs) -> None:
    from pipelines.cli.rig_words import answer, base_words
    from wearlab.charts.words import measure_words

    out = console()
    out.print(answer(found), style="bold")
    for key in dict.fromkeys((one.measure, one.protocol) for one in found.periods):
        mine = [one for one in found.periods if (one.measure, one.protocol) == key]
        rows = [
            [one.period, day(one.first), day(one.last), str(one.readings), *_told(one.at_first), *_told(one.at_last)]
            for one in mine
        ]
        heads = [
            "rig and period",
            "first test",
            "last test",
            "readings",
            "% at first",
            "9 in 10",
            "% at last",
            "9 in 10",
        ]
        out.print("")
        out.print(table(f"{measure_words(key[0])}, {key[1]}", heads, rows, right=(3, 4, 6)))
        out.print(base_words(mine))
    for each in found.channels:
        out.print("")
        name = f"Channels, {measure_words(each.measure)}, {each.protocol}"
        if each.no_answer is not None:
            out.print(f"{name}: {each.no_answer}.")
            continue
        rows = [[one.channel, str(one.readings), *_told(one.offset)] for one in each.offsets]
        out.print(table(name, ["channel", "readings", "reads high, %", "9 in 10"], rows, right=(1, 2)))
        out.print("A tube that always took the same cylinder carries that cylinder's habit as well.", style="dim")
    out.print("")
    if found.checks:
        rows = [
            [one.rig, one.channel, day(one.day), _figure(one.leak), number(one.median_before, 2), number(one.limit, 2)]
            for one in found.checks
        ]
        heads = ["rig", "channel", "last check", "leak, bar/s", "median before", "limit"]
        out.print(table("Self-checks", heads, rows, right=(3, 4, 5)))
    else:
        out.print("No self-check of a rig is stored: load them as the measure rig_check.")
    out.print("")
    rows = [
        [
            one.rig,
            day(one.last),
            "-" if one.every_days is None else str(one.every_days),
            day(one.due),
            _due(one.overdue_days),
        ]
        for one in found.calibrations
    ]
    out.print(table("Calibrations", ["rig", "last", "every, days", "due", ""], rows, right=(2,)))
    out.print("")
    _print_hanging(found)
    for note in found.notes:
        out.print(f"- {note}")


def _print_hanging(found: Rigs) -> None:
    out = console()
    rows = [
        [one.vehicle, _where(one.position), day(one.day), one.rig, f"{one.offset:+.1f}", _figure(one.reading),
         _figure(one.corrected), _figure(one.limit), one.rule]
        for one in found.verdicts[:_NAMED]
    ]  # fmt: skip
    if not rows:
        out.print("No reading lies between a limit and what its rig's offset makes of it.")
        return
    heads = ["vehicle", "part", "date", "rig", "offset, %", "read", "without it", "limit", "rule"]
    out.print(table("Verdicts that hang on the rig", heads, rows, right=(4, 5, 6, 7)))
    if len(found.verdicts) > _NAMED:
        out.print(f"(and {len(found.verdicts) - _NAMED} more: wearlab rigs --json)")


def _due(days: int) -> str:
    return "" if not days else f"overdue by {days} day{'s' if days > 1 else ''}"


def _told(value: Interval) -> list[str]:
    if not isfinite(value.low):
        return [f"{value.point:+.1f}", "base"]
    return [f"{value.point:+.1f}", f"{value.low:+.1f} to {value.high:+.1f}"]


def _plain(value: Any) -> Any:
    """Return dataclasses as objects and numbers that are none as null: JSON has no NaN and no infinity."""
    if hasattr(value, "__dataclass_fields__"):
        return _plain(asdict(value))
    if isinstance(value, dict):
        return {name: _plain(one) for name, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    if isinstance(value, float) and not isfinite(value):
        return None
    return value
