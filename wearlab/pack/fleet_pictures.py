"""The charts of the fleet page with the tables of what they draw."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from wearlab.charts.crossing_months import crossing_months_chart, number_words
from wearlab.charts.fleet_series import CrossingMonth, Spread, StateMonth, WearMonth
from wearlab.charts.rig_months import RigFigure, rig_figures, rig_months_chart, signed
from wearlab.charts.state_months import state_months_chart
from wearlab.charts.svg import Chart
from wearlab.charts.wear_months import WearMonthsFigure, rates_words, wear_months_chart
from wearlab.charts.words import day_words, levels_words, month_words
from wearlab.language import _, number
from wearlab.pack.fleet_page import FleetPage, WearSection
from wearlab.pack.pictures import Table


@dataclass(frozen=True, slots=True)
class Picture:
    """One chart and its table."""

    chart: Chart
    table: Table


@dataclass(frozen=True, slots=True)
class FleetPictures:
    """The charts of the fleet page: `wear` a picture a section of `FleetPage.wear`, `rigs` one a measure and protocol.

    None where there is nothing to draw.
    """

    wear: tuple[Picture, ...]
    states: Picture | None
    crossings: Picture | None
    rigs: tuple[Picture, ...]


def fleet_pictures(page: FleetPage) -> FleetPictures:
    """Draw all charts of the fleet page."""
    states, crossings = page.states.months, page.crossings.months
    ahead = Picture(crossing_months_chart(crossings), crossings_table(crossings)) if page.crossings.parts else None
    return FleetPictures(
        wear=tuple(wear_picture(section) for section in page.wear),
        states=Picture(state_months_chart(states), states_table(states)) if states else None,
        crossings=ahead,
        rigs=tuple(Picture(rig_months_chart(one), rigs_table(one)) for one in rig_figures(page.rigs.offsets)),
    )


def wear_picture(section: WearSection) -> Picture:
    """Draw wear of one measure, protocol and family over the months."""
    return Picture(wear_months_chart(wear_figure(section)), wear_table(section))


def wear_figure(section: WearSection) -> WearMonthsFigure:
    """Return what that chart draws."""
    return WearMonthsFigure(
        subject=section.heading,
        whole=section.whole,
        depots=section.depots,
        lines=(
            _("line: median part; bands: half of the parts, eight in ten; thin dashes: median of all depots"),
            _("under {reference}; rate: net, over the year before", reference=section.whole.reference),
        ),
    )


def wear_table(section: WearSection) -> Table:
    """Return a row a month, newest first: all depots' level and rate, then every depot's median and parts."""
    whole, depots = section.whole, section.depots if len(section.depots) > 1 else ()
    rows = []
    for place in range(len(whole.months) - 1, -1, -1):
        month = whole.months[place]
        if month.level is None and all(one.months[place].level is None for one in depots):
            continue
        rows.append(
            (
                month_words(month.month),
                "–" if month.level is None else number(month.level.parts),
                spread_words(month.level),
                spread_words(month.rate, rates_words),
                *(_depot(one.months[place]) for one in depots),
            )
        )
    return Table(
        (
            _("month"),
            _("parts"),
            _("level, {unit}: median (1 in 10, 9 in 10 below)", unit=whole.unit),
            _("rate, {unit}: median (1 in 10, 9 in 10 below)", unit=whole.rate_unit),
            *(_("{depot}: median level, rate (parts)", depot=one.depot or _("no depot")) for one in depots),
        ),
        tuple(rows),
    )


def spread_words(spread: Spread | None, figures: Callable[..., tuple[str, ...]] = levels_words) -> str:
    """Return "12.4 (8.1 to 19.0)"; the median alone where there are too few parts, a dash where there is none."""
    if spread is None:
        return "–"
    if spread.p10 is None or spread.p90 is None:
        return figures(spread.median)[0]
    middle, low, high = figures(spread.median, spread.p10, spread.p90)
    return _("{value} ({low} to {high})", value=middle, low=low, high=high)


def _depot(month: WearMonth) -> str:
    if month.level is None:
        return "–"
    rate = "–" if month.rate is None else rates_words(month.rate.median)[0]
    return f"{levels_words(month.level.median)[0]}, {rate} ({number(month.level.parts)})"


def states_table(months: Sequence[StateMonth]) -> Table:
    """Return a row a month, newest first, and a column a state."""
    states = [count.state for count in months[-1].counts] if months else []
    rows = []
    for month in reversed(months):
        counts = {count.state: count.parts for count in month.counts}
        parts = (number(counts.get(one, 0)) for one in states)
        rows.append((month_words(month.month), day_words(month.as_of), *parts))
    return Table((_("month"), _("as known on"), *map(_, states)), tuple(rows))


def crossings_table(months: Sequence[CrossingMonth]) -> Table:
    """Return a row a month: expected number, its interval, and the expected number up to then."""
    rows, total = [], 0.0
    for month in months:
        total += month.expected
        rows.append(
            (
                month_words(month.month),
                number_words(month.expected),
                _("{low} to {high}", low=number(month.low), high=number(month.high)),
                number_words(total),
            )
        )
    return Table((_("month"), _("parts expected"), _("9 in 10"), _("expected up to then")), tuple(rows))


def rigs_table(figure: RigFigure) -> Table:
    """Return a row a rig and period: its tests, its offset in % and the interval."""
    rows = []
    for one in figure.offsets:
        told = _("base") if one.base else signed(one.offset)
        ends = "–"
        if one.low is not None and one.high is not None:
            ends = _("{low} to {high}", low=signed(one.low), high=signed(one.high))
        days = _("{first} to {last}", first=day_words(one.first), last=day_words(one.last))
        rows.append((one.rig, days, number(one.readings), told, ends, _("yes") if one.apart else ""))
    return Table(
        (_("rig"), _("tests from and to"), _("readings"), _("reads high by, %"), _("9 in 10"), _("apart")), tuple(rows)
    )
