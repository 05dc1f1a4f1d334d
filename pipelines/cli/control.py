"""The command for plain control charts: of a vehicle's parts and sets, and of a rig and its tubes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.common import HERE, AsOf, Home, Json, as_of_date, console, show_json, status_line, table, workspace
from wearlab.errors import InputError

if TYPE_CHECKING:
    from pipelines.steps.control_rigs import RigVisits
    from pipelines.steps.control_series import Asked, Charted
    from pipelines.steps.control_visits import GroupVisits
    from wearlab.charts.control_series import ControlFigure


def control(
    vehicle: Annotated[str | None, typer.Argument(help="The vehicle.")] = None,
    part: Annotated[str | None, typer.Option("--part", metavar="POSITION", help="One part: 3, pump.")] = None,
    rig: Annotated[str | None, typer.Option("--rig", metavar="RIG", help="A rig in place of a vehicle.")] = None,
    tube: Annotated[str | None, typer.Option("--tube", metavar="CHANNEL", help="One tube of the rig.")] = None,
    measure: Annotated[str | None, typer.Option("--measure", metavar="NAME", help="Only this measure.")] = None,
    protocol: Annotated[str | None, typer.Option("--protocol", metavar="NAME", help="Only this protocol.")] = None,
    chart: Annotated[
        str, typer.Option("--chart", metavar="KIND", help="individuals, ewma, cusum; of sets: tsquared, mewma.")
    ] = "individuals",
    of: Annotated[
        str, typer.Option("--of", metavar="WHAT", help="innovations, readings or corrected.")
    ] = "innovations",
    head_start: Annotated[bool, typer.Option("--head-start", help="CUSUM: start half way to its limit.")] = False,
    rules: Annotated[bool, typer.Option("--rules", help="Run rules too, and what they cost in false signals.")] = False,
    weight: Annotated[
        float, typer.Option("--weight", min=0.01, max=1, help="Of the newest value, EWMA and MEWMA.")
    ] = 0.2,
    step: Annotated[float, typer.Option("--step", min=0, help="Step, in sd, that a CUSUM finds soonest.")] = 1.0,
    chance: Annotated[
        float | None, typer.Option("--chance", metavar="SHARE", help="Share of such charts that signal by chance.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="The figure: .svg, .png, .pdf.")] = None,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Plain control charts of a vehicle's parts, of its sets, or of a rig: table, limits, signals, figure."""
    from pipelines.steps.control_series import CHARTS, Asked, check
    from pipelines.steps.control_visits import SERIES

    if (vehicle is None) == (rig is None):
        raise InputError("name a vehicle, or a rig with --rig")
    if rig is not None:
        if part is not None or chart != "individuals" or of != "innovations" or rules or head_start or chance:
            raise InputError(
                "a rig has one chart: of the options only --tube, --measure, --protocol and --out go with it"
            )
        _rig(rig, tube, measure, protocol, out, home, as_of, as_json=as_json)
        return
    if tube is not None:
        raise InputError("--tube belongs to --rig")
    kind = next((one for one in CHARTS if one == chart), None)
    series = next((one for one in SERIES if one == of), None)
    if kind is None or series is None:
        name, known, said = ("--chart", CHARTS, chart) if kind is None else ("--of", SERIES, of)
        raise InputError(f'{name} "{said}" is none of {", ".join(known)}')
    asked = Asked(kind, series, head_start, rules, chance, weight, step)
    check(asked)
    _vehicle(str(vehicle), part, measure, protocol, asked, out, home, as_of, as_json=as_json)


def _vehicle(
    text: str, part: str | None, measure: str | None, protocol: str | None, asked: Asked, out: Path | None, home: Path,
    as_of: str | None, *, as_json: bool,
) -> None:  # fmt: skip
    from pipelines.steps.control_figures import vehicle_figure
    from pipelines.steps.control_series import SETS, Asked, charts
    from pipelines.steps.control_visits import vehicle_visits

    if part is not None and asked.chart in SETS:
        raise InputError(f"--chart {asked.chart} is of all parts of a test: leave --part out")
    with status_line(quiet=as_json) as say:
        found, told = vehicle_visits(
            workspace(home), text, as_of_date(as_of), of=asked.of, measure=measure, protocol=protocol, say=say
        )
        if part is not None:
            # other kinds of tests may not read this part at all
            having = [one for one in found if part in [each.position for each in one.parts]]
            found = tuple(one.only(part) for one in having or found)
        made = [(one, charts(one, asked, told.budget.limit)) for one in found]
    if out is not None:
        if len(made) != 1:
            names = "; ".join(f'--measure {one.measure} --protocol "{one.protocol}"' for one, _ in made)
            raise InputError(f"a figure is of one kind of test: choose {names}")
        visits, ours = made[0]
        if asked.chart in SETS:
            single = charts(visits, Asked(of=asked.of, chance=asked.chance), told.budget.limit)
            ours = (*ours, *(one for one in single if one.position != "set"))
        _save(vehicle_figure(visits, ours, asked), out, as_json=as_json)
    if as_json:
        from pipelines.cli.control_words import charted_json

        show_json([charted_json(visits, one, asked) for visits, ours in made for one in ours])
        return
    for number, (visits, ours) in enumerate(made):
        if number:
            console().print("")
        _print(visits, ours, asked)


def _print(visits: GroupVisits, made: tuple[Charted, ...], asked: Asked) -> None:
    from pipelines.cli.control_words import about, answer, heads, rows

    out = console()
    for number, one in enumerate(made):
        if number:
            out.print("")
        out.print(answer(visits, one, asked), style="bold")
        told = rows(visits, one, asked)
        if told:
            names = heads(asked, one)
            out.print(table("", names, told, right=tuple(range(1, len(names) - 1)), whole=(0,)))
        for sentence in about(one, asked, visits):
            out.print(f"- {sentence}")


def _rig(
    rig: str, tube: str | None, measure: str | None, protocol: str | None, out: Path | None, home: Path,
    as_of: str | None, *, as_json: bool,
) -> None:  # fmt: skip
    from pipelines.steps.control_figures import rig_figure
    from pipelines.steps.control_rigs import rig_visits

    with status_line(quiet=as_json) as say:
        found = rig_visits(workspace(home), rig, as_of_date(as_of), measure=measure, protocol=protocol, say=say)
    told = [one for one in found if one.whole is not None]
    if tube is not None:
        # a tube that only some kinds of tests name is looked for there
        told = [one for one in told if tube in [each.name for each in one.tubes]] or told
    if out is not None:
        if len(told) != 1:
            names = "; ".join(f'--measure {one.measure} --protocol "{one.protocol}"' for one in told)
            raise InputError(f"a figure is of one kind of test: choose {names or 'another rig'}")
        _save(rig_figure(told[0], tube), out, as_json=as_json)
    if as_json:
        from pipelines.cli.control_words import rig_json

        show_json([rig_json(one, tube) for one in told])
        return
    for number, one in enumerate(found):
        if number:
            console().print("")
        if one.whole is None:
            console().print(f"Rig {one.rig}, {one.test}: {one.no_answer}.", style="bold")
        elif one in told:
            _print_rig(one, tube)


def _print_rig(visits: RigVisits, tube: str | None) -> None:
    from pipelines.cli.control_words import rig_answer, rig_rows
    from pipelines.steps.control_figures import rig_figure

    out = console()
    figure = rig_figure(visits, tube)
    out.print(rig_answer(visits, figure), style="bold")
    heads = ["from", "to", "tests", "readings", "reads high, %", "9 in 10 between", "limits", "signal"]
    out.print(table("", heads, rig_rows(visits, tube), right=(2, 3, 4, 5, 6), whole=(0, 1)))
    for line in figure.lines:
        out.print(f"- {line[:1].upper()}{line[1:]}.")
    if visits.calibrations:
        out.print(f"- Calibrated on {', '.join(one.isoformat() for one in visits.calibrations)}.")


def _save(figure: ControlFigure, out: Path, *, as_json: bool) -> None:
    from pipelines.steps.control_figures import save

    save(figure, out)
    if not as_json:
        console(stderr=True).print(f"figure written to {out}")
