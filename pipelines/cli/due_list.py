"""The list of what is due: when to book, how sure that is, and early, likely and late date and odometer."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from pipelines.cli.common import about, console, table
from wearlab.language import _
from wearlab.records import LEVEL_UNIT, STATE_MARK, Measure, State

if TYPE_CHECKING:
    from rich.table import Table

    from wearlab.pack.booking import Booking

#: a screen narrower than this has no fan, and what belongs to a date under it, not beside it
_WIDE = 150

#: mark of a forecast that a straight line made
_LINE = "(line)"

#: changes of state that are named; the others are counted
_CHANGES = 12


def print_due(rows: list[dict[str, Any]], today: date, most: int) -> None:
    """Print forecasts, soonest first: at most `most` rows (0: all), what changed, and why parts have no answer."""
    from wearlab.charts.words import day_words

    out = console()
    asked = [row for row in rows if row["state"] not in (State.NO_LIMIT, State.NO_ANSWER)]
    shown = asked[:most] if most else asked
    out.print(f"When should this be booked, and how sure is that? As of {day_words(today)}.", style="bold")
    out.print(_counted(rows))
    if shown:
        out.print("")
        out.print(_due_table(shown, today, wide=out.width >= _WIDE))
        if len(shown) < len(asked):
            out.print(f"({len(asked) - len(shown)} more: wearlab due --most 0)")
        out.print("")
        for text in _explained(shown, wide=out.width >= _WIDE):
            out.print(text, style="dim")
    for heading, told in (("Changed since the run before", _changed(rows)), ("No answer", _silent(rows))):
        if told:
            out.print("")
            out.print(heading, style="bold")
        for text in told:
            out.print(f"- {text}")


def _counted(rows: list[dict[str, Any]]) -> str:
    from wearlab.pack.order import count_states

    told = [f"{count.parts} {count.state}" for count in count_states(row["state"] for row in rows) if count.parts]
    if not told:
        return "There is no part with a reading yet: load test sheets first."
    limits = "" if any(row["limit"] is not None for row in rows) else " Write your limits into wearlab.toml."
    return f"Parts, counted once a test and limit: {', '.join(told)}.{limits}"


def _due_table(shown: list[dict[str, Any]], today: date, *, wide: bool) -> Table:
    """The rows; the number of a footnote stands where a date is missing."""
    notes = _notes(shown)
    rows = [_cells(row, today, notes, wide=wide) for row in shown]
    if wide:
        heads = ["part", "state", "book by, how sure", "early", "most likely", "late", "months from now", "test by"]
        return table("", heads, rows, whole=(1, 2, 3, 4, 5, 6, 7))
    return table("", ["part", "state", "book by, how sure", "early, likely, late"], rows, whole=(1, 2, 3))


def _cells(row: dict[str, Any], today: date, notes: dict[str, int], *, wide: bool) -> list[str]:
    from wearlab.charts.words import measure_words
    from wearlab.pack.booking import Booking

    told = Booking.of_row(row, today)
    booked = [told.booking_short, told.sure_short, _mark(row, notes)]
    dates, test = date_cells(told), _test_by(row, today)
    if not wide:
        booked.append("" if test == "-" else f"test {test}" if test in ("now", "overdue") else f"test by {test}")
    return [
        f"{_part(row)}{_line(row)}\n{measure_words(row['measure'])}, {row['protocol']}{_rule(row)}",
        f"{STATE_MARK[told.state]} {told.state}",
        "\n".join(text for text in booked if text) or "-",
        *(dates if wide else ["\n".join(dict.fromkeys(text.replace("\n", ", ") for text in dates))]),
        *([told.fan(), test] if wide else []),
    ]


def date_cells(told: Booking) -> list[str]:
    """Early, middle and late date, each with its odometer below."""
    return [told.told(point) + ("" if km is None else f"\n{about(km)} km") for point, km in enumerate(told.odometers)]


def _part(row: dict[str, Any]) -> str:
    return f"{row['vehicle']} {row['position']}"


def _rule(row: dict[str, Any]) -> str:
    """The rule, where it is not one of the part's own level."""
    own = row["rule"] is None or row["unit"] == LEVEL_UNIT[Measure(row["measure"])]
    return "" if own else f", {row['rule']}"


def _line(row: dict[str, Any]) -> str:
    return f" {_LINE}" if _by_line(row) else ""


def _by_line(row: dict[str, Any]) -> bool:
    from pipelines.steps.part_states import method_words
    from wearlab.charts.series import LINE

    return method_words(row["method"]) == LINE and row["level"] is not None


def _test_by(row: dict[str, Any], today: date) -> str:
    from wearlab.pack.booking import short_day

    by = row["retest_by"]
    if by is None:
        return "-"
    return "now" if by == today else "overdue" if by < today else short_day(by, today)


def _notes(rows: list[dict[str, Any]]) -> dict[str, int]:
    """Why dates are missing, each once, with its number."""
    told = dict.fromkeys(why for row in rows if (why := row["no_answer"] or row["note"]))
    return {text: number for number, text in enumerate(told, start=1)}


def _mark(row: dict[str, Any], notes: dict[str, int]) -> str:
    why = row["no_answer"] or row["note"]
    return f"({notes[why]})" if why else ""


def _explained(shown: list[dict[str, Any]], *, wide: bool) -> list[str]:
    from wearlab.pack.booking import FAN_WORDS

    told = [
        "Book by: until then the chance of being past the limit stays below 1 in 10. How sure: the chance of being "
        "past it by the end of that month. Early, most likely, late: past by then with 1, 5 and 9 chances in 10.",
    ]
    if wide:
        told.append(f"Months from now: {_(FAN_WORDS)}.")
    if any(_by_line(row) for row in shown):
        told.append(f"{_LINE}: a simple line, not calibrated, where the wear model has no answer.")
    return told + [f"({number}) {text}" for text, number in _notes(shown).items()]


def _changed(rows: list[dict[str, Any]]) -> list[str]:
    from wearlab.charts.words import dated, measure_words

    told = [
        f"{_part(row)}, {measure_words(row['measure'])}, {row['protocol']}: {dated(row['changed'])}"
        for row in rows
        if row["changed"]
    ]
    return [*told[:_CHANGES], f"and {len(told) - _CHANGES} more (--json)"] if len(told) > _CHANGES else told


def _silent(rows: list[dict[str, Any]]) -> list[str]:
    """Why parts have no answer, each reason once with the number of parts."""
    from wearlab.forecast.states import without_left_out

    reasons: dict[str, list[str]] = {}
    for row in rows:
        if row["state"] == State.NO_ANSWER:
            # how many readings were left out differs from part to part
            reason = without_left_out(row["no_answer"] or row["cause"])
            reasons.setdefault(reason, []).append(_part(row))
    return [
        f"{', '.join(parts[:4])}{f' and {len(parts) - 4} more' if len(parts) > 4 else ''}: {reason}"
        for reason, parts in reasons.items()
    ]
