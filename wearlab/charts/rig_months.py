"""What rigs read high between their calibrations: a panel a rig, a block a period with its interval.

A block runs from the first to the last test of its period; the line in it is the offset, its height nine in ten. A
period that the others are told against is a plain line at zero. Periods apart from zero carry their figure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wearlab.charts.fleet_series import RigOffset
from wearlab.charts.month_axis import draw_years, name_panel, panel_axes
from wearlab.charts.style import INK, MUTED, PALE, Pen, draw_scales, house_style, pen
from wearlab.charts.svg import Chart, finish
from wearlab.charts.words import cell, dated, measure_words
from wearlab.language import _, number

WIDTH = 470.0
TALL, LEFT, RIGHT, BELOW, ABOVE, HEAD = 76.0, 30.0, 12.0, 20.0, 18.0, 36.0
#: days that a block covers at least, so that it is seen
_LEAST = 20.0


@dataclass(frozen=True, slots=True)
class RigFigure:
    """The offsets of all rigs in one measure and protocol, in the order of rig and day."""

    subject: str
    offsets: tuple[RigOffset, ...]

    @property
    def rigs(self) -> tuple[str, ...]:
        """The rigs in order."""
        return tuple(dict.fromkeys(one.rig for one in self.offsets))


def rig_figures(offsets: Sequence[RigOffset]) -> tuple[RigFigure, ...]:
    """Return a figure for each measure and protocol, in the order given."""
    groups: dict[tuple[str, str], list[RigOffset]] = {}
    for one in offsets:
        groups.setdefault((one.measure, one.protocol), []).append(one)
    return tuple(
        RigFigure(
            _("{measure}, {protocol}: what rigs read high", measure=measure_words(measure), protocol=protocol),
            tuple(group),
        )
        for (measure, protocol), group in groups.items()
    )


def rig_months_chart(figure: RigFigure) -> Chart:
    """Return the figure as SVG with its text alternative."""
    with house_style():
        return finish(rig_months_figure(figure), figure.subject, describe(figure))


def rig_months_figure(figure: RigFigure) -> Figure:
    """Return the matplotlib figure, to be drawn and saved inside `house_style`."""
    rigs = figure.rigs
    rows = -(-len(rigs) // 2)
    height = HEAD + rows * (TALL + ABOVE + BELOW)
    made = Figure(figsize=(WIDTH / 72.0, height / 72.0))
    made.text(4 / WIDTH, 1 - 14 / height, cell(figure.subject)[:78], fontsize=10, fontweight="bold", color=INK)
    made.text(
        4 / WIDTH, 1 - 28 / height,
        _("% above the rig and period that the others are told against; block: 9 in 10"), fontsize=8, color=MUTED,
    )  # fmt: skip
    left = min((one.first.toordinal() for one in figure.offsets), default=0) - 30.0
    right = max((one.last.toordinal() for one in figure.offsets), default=1) + 30.0
    ends = [end for one in figure.offsets for end in (one.low, one.high, one.offset) if end is not None]
    far = max((abs(end) for end in ends), default=1.0) or 1.0
    for place, rig in enumerate(rigs):
        row, column = divmod(place, 2)
        box = (
            column * WIDTH / 2 + LEFT, height - HEAD - row * (TALL + ABOVE + BELOW) - ABOVE - TALL,
            WIDTH / 2 - LEFT - RIGHT, TALL,
        )  # fmt: skip
        axes = panel_axes(made, box)
        axes.set_xlim(left, right)
        axes.set_ylim(-1.12 * far, 1.2 * far)
        name_panel(axes, rig, left=LEFT - 4)
        draw_scales(axes, numbers_below=False)
        draw_years(axes, most=5)
        axes.axhline(0.0, color=PALE, linewidth=1.0, zorder=1.1)
        named = right
        for one in [one for one in figure.offsets if one.rig == rig][::-1]:
            middle = (one.first.toordinal() + one.last.toordinal()) / 2
            # of figures that would touch the newer one stands
            name = (one.apart or one.base) and (named == right or named - middle > 0.14 * (right - left))
            named = middle if name else named
            _block(axes, one, pen(str(place + 1)), named=name)
    return made


def _block(axes: Axes, one: RigOffset, style: Pen, *, named: bool) -> None:
    first, last = float(one.first.toordinal()), float(one.last.toordinal())
    if last - first < _LEAST:
        first, last = (first + last - _LEAST) / 2, (first + last + _LEAST) / 2
    x = [first, last]
    if one.low is not None and one.high is not None:
        axes.fill_between(
            x, [one.low] * 2, [one.high] * 2, facecolor=style.colour, alpha=0.34 if one.apart else 0.14, linewidth=0,
            zorder=1.4,
        )  # fmt: skip
        for end in (one.low, one.high):
            axes.plot(x, [end] * 2, color=style.colour, linewidth=0.5, alpha=0.6, zorder=1.5)
    axes.plot(x, [one.offset] * 2, color=style.colour, linewidth=2.2 if one.apart else 1.4, zorder=2)
    if not named:
        return
    words, y = (_("base"), 0.0) if one.base else (signed(one.offset), one.high or 0.0)
    axes.annotate(
        words, xy=((first + last) / 2, y), xytext=(0, 2), textcoords="offset points", ha="center", va="bottom",
        fontsize=8, color=style.colour, zorder=3,
    )  # fmt: skip


def describe(figure: RigFigure) -> str:
    """Return the text alternative: the newest period of each rig, and every one apart from zero."""
    told = []
    for rig in figure.rigs:
        own = [one for one in figure.offsets if one.rig == rig]
        words = [offset_words(one) for one in own if one.apart or one is own[-1]]
        told.append(f"{rig}: {'; '.join(words)}.")
    return " ".join(told) or _("No test names its rig.")


def offset_words(one: RigOffset) -> str:
    """Return a period's offset in words: "from 15 March 2025: reads 2.5 % low (0.5 to 4.4 % low)"."""
    when = dated(one.period)
    if one.base:
        return _("{period}: the others are told against it", period=when)
    told = {"period": when, "size": number(abs(one.offset), 1)}
    text = _("{period}: reads {size} % high", **told) if one.offset >= 0 else _("{period}: reads {size} % low", **told)
    if one.low is None or one.high is None:
        return text
    ends = (abs(one.low), abs(one.high))
    if one.apart:
        near, far = (number(end, 1) for end in sorted(ends))
        return _("{offset} ({near} to {far} %)", offset=text, near=near, far=far)
    low, high = (number(end, 1) for end in ends)
    return _("{offset} (between {low} % low and {high} % high)", offset=text, low=low, high=high)


def signed(value: float) -> str:
    """Return an offset with its sign and one decimal, "−2.5"."""
    return number(value, 1, sign=True).replace("-", "−")
