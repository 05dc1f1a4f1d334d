"""A whole pack of the invented haulier in plain values, with one of everything that the pages can show."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from wearlab.charts.control import control_chart
from wearlab.charts.control_series import ControlFigure, ControlPanel, ControlPoint, control_table
from wearlab.charts.fleet_series import CrossingMonth, StateMonth
from wearlab.charts.series import StateCount
from wearlab.pack.about_page import AboutPage, LimitRow
from wearlab.pack.first_page import (
    BookMonth,
    BookPart,
    BookRow,
    ChangeRow,
    FirstPage,
    IssuedPart,
    IssuedRow,
    NotBooked,
    OrderRow,
    SignalRow,
    TestRow,
    WeakTest,
)
from wearlab.pack.fleet_page import (
    CrossingsAhead,
    DataQuality,
    FleetPage,
    LeftOut,
    RemarkCount,
    RigRow,
    RigSection,
    StatesOverTime,
)
from wearlab.pack.fleet_pictures import Picture
from wearlab.pack.order import count_states
from wearlab.pack.pack_view import PackView
from wearlab.pack.pictures import Table
from wearlab.pack.view import FileRow, MonthView, OpenQuestion, Unsaid
from wearlab.study.cautions import PLANS_ONLY, SKIN

AS_OF = date(2026, 10, 31)


def first_page() -> FirstPage:
    """The first page: one visit, one part left, two tests, a change, two signals, an order, a checked forecast."""
    part = BookPart(
        "3", "K02-3", "injector 3", "past limit", date(2026, 1, 4), date(2026, 5, 1), date(2026, 8, 30),
        "past already, since about May 2026", "warm idle, version 2", "Its last test reads past the limit.",
        "about 9,000 km past the limit",
    )  # fmt: skip
    row = BookRow(
        "K02", "east depot", date(2026, 11, 1), date(2026, 11, 12), False, "call it in", "replace injector 3",
        "injector 3", "past limit", part.p10, part.p50, part.p90, part.when, part.reason,
        "Left until 3 May 2027, the next visit: about 9,000 km past the limit.", 640.0, "640 crowns", 2.5, (part,),
    )  # fmt: skip
    signal = SignalRow(
        "s-1", "K01", "3", "K01, injector 3: return flow, warm idle", date(2026, 9, 1),
        "one reading of injector 3 off by +6.1 ml/min (+3.0 to +9.2), on 2026-09-01",
        ("a step of injector 3 by +6.1 ml/min, since 2026-09-01",), "Read the same part once more.",
        "The test before the part.", "was injector 3 replaced or cleaned and not recorded?",
        "wearlab note K01 replacement --position 3 --on DATE",
    )  # fmt: skip
    shared = replace(
        signal, key="s-2", vehicle=None, position=None, heading="Rig R2: return flow, warm idle", question="",
        answer_by="",
    )  # fmt: skip
    tests = tuple(
        TestRow(
            vehicle, "river depot", "injectors 1 and 2", date(2026, 12, 1), True, "in the diary", day, day < AS_OF,
            date(2025, 6, 1), "The usual interval after the last test.", "Chance that a part reads past: 1 in 100.",
        )
        for vehicle, day in (("K04", date(2026, 9, 30)), ("K05", date(2027, 2, 1)))
    )  # fmt: skip
    issued = IssuedRow("return flow, warm idle", 40, 12, 11, 10, 1.4, 2, 2, 0, 1, 0, 28, "10 of 11 lay inside.")
    return FirstPage(
        title="October 2026",
        as_of=AS_OF,
        workspace="Milk round, three depots",
        currency="crowns",
        summary=("1 visit to book.", "2 vehicles to test; 1 overdue since 2026-09-30."),
        counts=(StateCount("past limit", 1), StateCount("steady", 20), StateCount("book", 0)),
        no_plan=(),
        book=(BookMonth(date(2026, 11, 1), "November 2026", "1 visit, 640 crowns of work.", (row,)),),
        not_booked=(NotBooked("K01", "3", "injector 3", "book", "by May 2027", "No bay is free before."),),
        tests=tests,
        changes_since=date(2026, 9, 30),
        changes_sentence="1 part is in another state than on 2026-09-30.",
        changes=(ChangeRow("K05", "3", "injector 3", "watch", "book", True, "A new test reads 41 ml/min."),),
        signals_sentence="2 signals are open; chance alone would raise about 0.4.",
        signals=(signal, shared),
        weak_tests=(WeakTest("K06", "never tested", None, "There is no test of it."),),
        order_sentence="Order 2 parts.",
        orders=(OrderRow("injector IN-20", "IN-20", 2, 1.4, 3, 1, 12, 320.0, 640.0, "3 are enough in 9 of 10 cases."),),
        issued=IssuedPart(date(2026, 9, 30), "Of 40 forecasts 12 are checked.", (issued,), 1, ("K03 pump",)),
        unsaid=(Unsaid("K03 pump", "Two readings: a line needs three.", "K03"),),
        missing=("No cost of a road failure is stated.",),
        cautions=(SKIN, PLANS_ONLY),
    )


def fleet_page(month: MonthView) -> FleetPage:
    """The fleet page without wear over the months, which has pictures of its own."""
    return FleetPage(
        as_of=AS_OF,
        wear=(),
        states=StatesOverTime(
            (
                StateMonth(
                    date(2026, 10, 1),
                    AS_OF,
                    count_states(state.state for one in month.vehicles for state in one.states),
                ),
            ),
            "States are kept since October.",
        ),
        crossings=CrossingsAhead(
            (CrossingMonth(date(2026, 11, 1), 0.6, 0, 2), CrossingMonth(date(2026, 12, 1), 0.2, 0, 1)),
            20,
            1.2,
            3,
            "1.2 are expected to be past already.",
        ),
        rigs=RigSection(
            (
                RigRow(
                    "R2", "east depot", date(2025, 3, 1), 365, date(2026, 3, 1), 244, "calibration overdue by 244 days"
                ),
            ),
            (),
        ),
        quality=DataQuality(
            "2 files.",
            (
                FileRow("north.csv", 412, 398, 9, 4, 1, 6, 1_988, 1, "north workshop, wide", date(2026, 10, 30)),
                FileRow("east/2026.xlsx", 873, 866, 2, 2, 3, 0, 866, 0, "east workshop, long"),
            ),
            (RemarkCount("odometer back", "flagged", 2, 1, "Odometer falls by 200 km.", "north.csv:12"),),
            (OpenQuestion('What does "BT" mean in the column Test?', 14, "north.csv"),),
            (LeftOut("return_flow", "warm idle", 213, 9, 2, 1, 0),),
        ),
        unsaid=("pump rise, bench 20 ml: no group was learned.",),
    )


def picture() -> Picture:
    """A control chart with a signal on its last point."""
    values = (0.2, -1.1, 0.7, 1.3, -0.4, 4.2)
    days = [date(2024 + k // 2, 3 + 6 * (k % 2), 1) for k in range(len(values))]
    points = tuple(
        ControlPoint(day, value, -3.0, 3.0, value > 3.0, cause="one reading off" if value > 3.0 else "")
        for day, value in zip(days, values, strict=True)
    )
    panel = ControlPanel("injector 3", "sd", points, position="3")
    figure = ControlFigure("K01 injector 3: return flow, warm idle", ("single values",), panel)
    return Picture(control_chart(figure), Table(*control_table(figure)))


def pack_view(month: MonthView) -> PackView:
    """The whole pack around a month's view."""
    about = AboutPage(
        run=(("run", "3"),),
        programs=(("Python", "3.13"),),
        limits=(LimitRow("warm idle", "return flow, warm idle", "at most 45 ml/min", "", 2, None, "invented"),),
        settings=month.settings,
        known=("Nothing was loaded after this day.",),
    )
    return PackView(month, first_page(), fleet_page(month), about, {"s-1": picture(), "s-2": picture()})
