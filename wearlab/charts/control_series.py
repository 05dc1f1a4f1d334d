"""What a control chart draws, as plain values: a statistic by date, its limits, and what was found to be the cause."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from wearlab.charts.series import Mark
from wearlab.charts.words import day_words
from wearlab.language import _, _n, localised, number


@dataclass(frozen=True, slots=True)
class ControlPoint:
    """One visit, or one stretch of time of a rig. A `value` is missing where nothing was read or it was no number."""

    day: date
    value: float | None
    lower: float | None = None
    upper: float | None = None
    #: past a limit
    outside: bool = False
    #: 90 % interval of the value
    low: float | None = None
    high: float | None = None
    #: the same value where the rest of the visit is allowed for
    beside: float | None = None
    #: "at_least" or "at_most" where the reading lay beyond the scale
    bound: str | None = None
    odometer_km: float | None = None
    #: a signal raised here: its cause in a few words
    cause: str = ""


@dataclass(frozen=True, slots=True)
class ControlPanel:
    """One chart: points in the order of time; `position` chooses the pen; `digits` of its numbers."""

    name: str
    unit: str
    points: tuple[ControlPoint, ...]
    centre: float | None = 0.0
    position: str = "set"
    digits: int = 1
    marks: tuple[Mark, ...] = ()
    #: numbers of this panel carry their sign
    signed: bool = True

    @property
    def read(self) -> tuple[ControlPoint, ...]:
        """The points that have a value."""
        return tuple(point for point in self.points if point.value is not None)

    def figure(self, value: float) -> str:
        """A value as it is written on the chart."""
        text = f"{abs(value):,.{self.digits}f}"
        if float(text.replace(",", "")) == 0:
            return localised(text)
        return localised(f"{'-' if value < 0 else '+' if self.signed else ''}{text}")


@dataclass(frozen=True, slots=True)
class ControlFigure:
    """A main chart (None: the small ones alone) with small ones below it, all over the same dates.

    `each` is what a point stands for ("test", "month"), `lines` are written below the title, `by_odometer` tells
    whether odometers are written above.
    """

    subject: str
    lines: tuple[str, ...]
    main: ControlPanel | None
    small: tuple[ControlPanel, ...] = ()
    marks: tuple[Mark, ...] = ()
    #: what a point is: "test", "day" or "month"
    each: str = "test"
    by_odometer: bool = True

    @property
    def panels(self) -> tuple[ControlPanel, ...]:
        """Every chart of the figure, the main one first."""
        return self.small if self.main is None else (self.main, *self.small)


def control_table(figure: ControlFigure) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return the heads and rows of the table that says what a figure shows."""
    heads = (_("chart"), _("date"), _("odometer, km"), _("value"), _("limits"), _("outside"), _("signal"))
    rows = []
    for panel in figure.panels:
        for point in panel.points:
            value = f"{panel.figure(point.value)} {panel.unit}" if point.value is not None else "–"
            if point.value is not None and point.low is not None and point.high is not None:
                low, high = panel.figure(point.low), panel.figure(point.high)
                value = _("{value} ({low} to {high})", value=value, low=low, high=high)
            if point.bound is not None:
                value = _("beyond the scale")
            km = "–" if point.odometer_km is None else number(point.odometer_km)
            limits = limits_words(panel, point)
            rows.append(
                (panel.name, point.day.isoformat(), km, value, limits, _("yes") if point.outside else "", point.cause)
            )
    return heads, tuple(rows)


def limits_words(panel: ControlPanel, point: ControlPoint) -> str:
    """Return the limits of a point: "-3.3 to +3.3", or the one that it has."""
    ends = [panel.figure(one) for one in (point.lower, point.upper) if one is not None]
    return _("{low} to {high}", low=ends[0], high=ends[1]) if len(ends) == 2 else "".join(ends) or "–"


def describe(figure: ControlFigure) -> str:
    """Return the text alternative: span, how many lie outside and where, the last values, and the causes."""
    days = [point.day for panel in figure.panels for point in panel.points]
    if not days:
        return _("Nothing was read.")
    sentences = [_span(figure.each, day_words(min(days)), day_words(max(days)))]
    for panel in figure.panels:
        if not panel.read:
            sentences.append(_("{chart}: no value.", chart=_first(panel.name)))
            continue
        last = panel.read[-1]
        out = [point for point in panel.read if point.outside]
        told = _("none outside")
        if out:
            told = _("outside on {days}", days=_listed([day_words(point.day) for point in out]))
        sentences.append(
            _(
                "{chart}: {count}, {outside}; last {value} {unit}, limits {limits}.",
                chart=_first(panel.name), count=_count(figure.each, len(panel.read)), outside=told,
                value=panel.figure(last.value or 0.0), unit=panel.unit, limits=limits_words(panel, last),
            )
        )  # fmt: skip
        beyond = [point for point in panel.points if point.bound is not None]
        if beyond:
            words = _listed([_beyond(one) for one in beyond])
            sentences.append(_("Beyond the scale of the tube: {readings}.", readings=words))
    causes = [(point.day, point.cause) for panel in figure.panels for point in panel.points if point.cause]
    sentences += [
        _("Signal raised on {day}: {cause}.", day=day_words(day), cause=cause) for day, cause in dict.fromkeys(causes)
    ]
    return " ".join(sentences)


def _span(each: str, first: str, last: str) -> str:
    if each == "month":
        return _("Months from {first} to {last}.", first=first, last=last)
    if each == "day":
        return _("Days from {first} to {last}.", first=first, last=last)
    return _("Tests from {first} to {last}.", first=first, last=last)


def _count(each: str, count: int) -> str:
    if each == "month":
        return _n("{n} month", "{n} months", count)
    return _n("{n} day", "{n} days", count) if each == "day" else _n("{n} test", "{n} tests", count)


def _beyond(point: ControlPoint) -> str:
    day = day_words(point.day)
    return _("at least on {day}", day=day) if point.bound == "at_least" else _("at most on {day}", day=day)


def _first(text: str) -> str:
    return text[:1].upper() + text[1:]


def _listed(words: Sequence[str], most: int = 4) -> str:
    if len(words) <= most:
        return ", ".join(words)
    return _n("{n} day, the last {last}", "{n} days, the last {last}", len(words), last=words[-1])
