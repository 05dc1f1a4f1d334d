"""The command that looks back: would these forecasts have held?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.common import HERE, AsOf, Home, Json, as_of_date, console, number, show_json, status_line, table
from pipelines.cli.common import workspace as open_workspace
from wearlab.errors import InputError

if TYPE_CHECKING:
    from pipelines.steps.hindsight import GroupHindsight, HiddenVisits
    from wearlab.forecast.backtest import BackTest, CrossingScore

Table = Annotated[
    Path | None,
    typer.Option("--table", metavar="FILE.csv", help="Back-test this table (unit, time, value); needs --limit."),
]
Limit = Annotated[float | None, typer.Option("--limit", metavar="L", help="With --table: the limit of the value.")]
Origin = Annotated[
    float | None, typer.Option("--origin", metavar="T", help="With --table: readings up to this time are known.")
]
OriginReading = Annotated[
    int | None,
    typer.Option("--origin-reading", metavar="K", help="With --table: the first K readings of every unit are known."),
]
Falling = Annotated[bool, typer.Option("--falling", help="With --table: passed is a value at or below the limit.")]
Issued = Annotated[
    bool, typer.Option("--issued", help="Set the forecasts of earlier runs, as issued, beside the tests since then.")
]


def hindsight(
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
    issued: Issued = False,
    table_file: Table = None,
    limit: Limit = None,
    origin: Origin = None,
    origin_reading: OriginReading = None,
    falling: Falling = False,
) -> None:
    """Hide the last tests, forecast them from the rest, and tell how often the forecasts held."""
    of_table = (limit, origin, origin_reading)
    if table_file is not None:
        if issued:
            raise InputError("--issued is of a workspace, --table of a file: give one of them")
        if limit is None:
            raise InputError("--table needs the limit of the value: add --limit L")
        if (origin is None) == (origin_reading is None):
            raise InputError("--table needs one origin: either --origin T or --origin-reading K")
        _table(table_file, limit, origin, origin_reading, falling, as_json)
        return
    if falling or any(given is not None for given in of_table):
        raise InputError("--limit, --origin, --origin-reading and --falling belong to --table FILE.csv")
    if issued:
        _issued(home, as_of, as_json)
    else:
        _workspace(home, as_of, as_json)


def _table(
    file: Path, limit: float, origin: float | None, origin_reading: int | None, falling: bool, as_json: bool
) -> None:
    from pipelines.steps.back_tests import as_plain, table_back_test

    with status_line(quiet=as_json) as say:
        if say is not None:
            say("fitting and forecasting")
        found = table_back_test(file, limit, origin=origin, origin_reading=origin_reading, falling=falling)
    if as_json:
        show_json(as_plain(found))
        return
    _print_back_test(found)


def _print_back_test(found: BackTest) -> None:
    out = console()
    for reason, count in found.left_out.items():
        out.print(f"{count} unit{'' if count == 1 else 's'} not scored: {reason}.")
    if found.score.n == 0:
        out.print("No unit is left to score.")
    else:
        heads = ["forecast of the crossing", "units", "off by", "late (+), early (-)", "9 in 10 held", "5 in 10 held",
                 "width of 9 in 10", "score (lower is better)"]  # fmt: skip
        rows = [_row("wear model", found.score), *(_row(name, score) for name, score in found.rivals.items())]
        out.print(table("", heads, rows, right=tuple(range(1, len(heads)))))
    shares = ", ".join(f"power {p:.3g} and exposure^{g:g}: {weight:.2f}" for p, g, weight in found.scale)
    out.print(f"Working scales: {shares}.")
    for sentence in found.signs.sentences:
        out.print(sentence)


def _row(name: str, score: CrossingScore) -> list[str]:
    held = "-" if score.coverage_90 is None else f"{score.covered_90} of {score.n} ({score.coverage_90:.2f})"
    half = "-" if score.coverage_50 is None else f"{score.coverage_50:.2f}"
    figures = [_short(value) for value in (score.mae, score.bias)]
    return [name, str(score.n), *figures, held, half, _short(score.width_90), _short(score.crps)]


def _short(value: float | None, figures: int = 4) -> str:
    """A few figures, whatever the unit."""
    if value is None:
        return "-"
    return number(value, 0) if abs(value) >= 1000 else f"{value:.{figures}g}"


def _workspace(home: Path, as_of: str | None, as_json: bool) -> None:
    from pipelines.steps.hindsight import look_back

    today = as_of_date(as_of)
    place = open_workspace(home)
    with place.open() as db, status_line(quiet=as_json) as say:
        found = look_back(db, place, today, say=say)
    if as_json:
        show_json({"as_of": today, "groups": found})
        return
    if not found:
        console().print("There are no readings to look back on yet: load test sheets first.")
        return
    for group in found:
        _print_group(group)
    console().print(
        "Count: of hidden readings. 9 in 10: share of them inside the interval that should hold 90 of 100; likewise 8 "
        "and 5. Off by: half of them were nearer to the forecast than this. Leans: readings less forecasts. Width: of "
        "the 9-in-10 interval. Score: distance and honesty of width in one, lower is better."
    )


def _print_group(group: GroupHindsight) -> None:
    from wearlab.charts.words import measure_words

    out = console()
    name = measure_words(group.measure)
    out.print(f"{name[:1].upper()}{name[1:]}, {group.protocol}", style="bold underline")
    if group.no_answer is not None:
        out.print(f"Nothing to look back on: {group.no_answer}.")
        out.print("")
        return
    for horizon in group.horizons:
        _print_hidden(horizon, group.unit)
    out.print(group.factor_sentence[:1].upper() + group.factor_sentence[1:].rstrip(".") + ".")
    for sentence in () if group.signs is None else group.signs.sentences:
        out.print(sentence)
    out.print("")


def _print_hidden(horizon: HiddenVisits, unit: str) -> None:
    out = console()
    hidden = "test" if horizon.hidden == 1 else f"{horizon.hidden} tests"
    heads = ["", "count", "9 in 10", "8 in 10", "5 in 10", "off by", "leans", "width", "score"]
    rows = []
    for tests, scores in horizon.scores.items():
        # what the rows below are of
        rows += [] if tests == "all" else [[f"{tests}:", *[""] * (len(heads) - 1)]]
        for score in scores:
            shares = [f"{100 * share:.0f} %" for share in (score.coverage_90, score.coverage_80, score.coverage_50)]
            figures = [_short(value, 3) for value in (score.error, score.bias, score.width_90, score.crps)]
            rows.append([score.forecast, str(score.n), *shares, *figures])
    out.print(f"The last {hidden} of each vehicle hidden; in {unit}", style="italic")
    out.print(table("", heads, rows, right=tuple(range(1, len(heads))), whole=tuple(range(1, len(heads)))))
    for sentence in _crossing_sentences(horizon):
        out.print(f"  {sentence}")


def _crossing_sentences(horizon: HiddenVisits) -> list[str]:
    met, told = horizon.crossings, []
    if met.parts:
        told.append(
            f"Limits ahead of {met.parts} parts: {met.expected:.1f} were forecast to read past it at the hidden test, "
            f"{met.read_past} did."
        )
        told.append(
            f"Crossings: {met.inside} in their 9-in-10 interval, {met.early} before it began, {met.late} not crossed "
            f"though it was over; not checked yet: {met.open} crossings."
        )
    counts = (
        (met.pulled, "parts were not tested again (pulled, or left out): no miss"),
        (horizon.new_parts, "readings of parts that had not been tested before"),
        (horizon.beyond, "readings beyond the scale"),
        (horizon.after_event, "readings after a cleaning or repair since the last test"),
    )
    left = [f"{count} {words}" for count, words in counts if count]
    if left:
        told.append("Not scored: " + "; ".join(left) + ".")
    return told


def _issued(home: Path, as_of: str | None, as_json: bool) -> None:
    from pipelines.steps.issued import issued_scores
    from wearlab.charts.words import measure_words

    today = as_of_date(as_of)
    with open_workspace(home).open(read_only=True) as db:
        found = issued_scores(db, today)
    if as_json:
        show_json({"as_of": today, "issued": found})
        return
    if not found:
        console().print(f"No forecasts were made before {today.isoformat()}: run wearlab learn every month.")
        return
    heads = ["forecasts of", "parts", "tested since", "as told (9 in 10)", "past: told", "came",
             "too soon", "not yet", "open"]  # fmt: skip
    rows = [
        [
            f"{one.as_of.isoformat()}\n{measure_words(one.measure)}, {one.protocol}",
            str(one.forecasts),
            str(one.forecasts - one.not_tested),
            "-" if not one.met else f"{one.inside} of {one.met} ({100 * one.inside / one.met:.0f} %)",
            "-" if one.expected is None else f"{one.expected:.1f} of {one.told}",
            str(one.past),
            str(one.early),
            str(one.late),
            str(one.open + one.not_tested),
        ]
        for one in found
    ]
    console().print("Forecasts as issued, and the first tests since", style="bold")
    console().print(table("", heads, rows, right=tuple(range(1, 9))))
    console().print(
        "As told: the reading lay inside its 9-in-10 interval. Past: readings past the limit, how many were told to be "
        "among those tested, and how many came. Too soon: past before the 9-in-10 dates began. Not yet: not past "
        "though they were over. Open: crossings not checked yet."
    )
