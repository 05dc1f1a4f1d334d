"""The other files of a monthly pack: the workbook of all its tables, and the PDF of the pages that ask for somebody."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from pipelines.steps import month_tables
from pipelines.steps.plan_files import workbook
from pipelines.steps.plan_view import PlanView
from pipelines.steps.signals import SignalsTold
from pipelines.steps.view_table import Table
from pipelines.steps.whole_file import write_whole
from wearlab.language import _, number
from wearlab.pack.order import urgency
from wearlab.pack.pack_view import PackView
from wearlab.pack.pages import FIRST, FLEET
from wearlab.pack.pdf import PdfMade, make_pdf
from wearlab.pack.view import VehicleView
from wearlab.records import NoAnswer, State

PDF, WORKBOOK = "pack.pdf", "pack.xlsx"
#: states that call for hands on the vehicle: its page is printed
_PRESSING = (State.PAST_LIMIT, State.BOOK)
#: vehicles in a PDF at most, the most urgent ones: more make a document that nobody prints, and minutes of work
MOST_VEHICLES = 40


def month_tables_of(view: PackView, plan: PlanView, signals: SignalsTold) -> tuple[Table, ...]:
    """Return the tables of a month's workbook in their order; what is about the plan alone says so in its name."""
    of_plan = [replace(one, name="about the plan") if one.name == "about" else one for one in plan.tables]
    first = [one for one in of_plan if one.name in ("plan", "visits", "tests")]
    then = [one for one in of_plan if one not in first]
    return (
        *first,
        month_tables.forecasts(view),
        month_tables.signals(signals),
        *then,
        month_tables.files(view),
        month_tables.remarks(view),
        month_tables.left_out(view),
        month_tables.questions(view),
        month_tables.not_told(view),
        month_tables.limits(view),
        month_tables.about(view, plan.no_plan),
    )


def write_month_workbook(view: PackView, plan: PlanView, signals: SignalsTold, folder: Path) -> Path:
    """Write all tables of a month into `pack.xlsx` in the pack's folder; the same view gives the same bytes.

    Raises
    ------
    InputError
        It cannot be written.
    """
    tables = month_tables_of(view, plan, signals)
    title = f"{view.month.workspace}, {view.month.title}"
    path = folder / WORKBOOK
    write_whole(path, workbook(PlanView(plan.as_of, plan.no_plan, tables), tables, title))
    return path


def printed_vehicles(view: PackView, names: Mapping[str, str]) -> tuple[str, ...]:
    """Return the vehicles of a PDF in the order of the fleet, at most so many, the most urgent.

    These are the ones past a limit, to be booked, with a visit to book or with an open signal; `names` are those that
    have a page.
    """
    asking = _asking(view, names)
    kept = {
        one.vehicle for one in sorted(asking, key=lambda one: (urgency(one.worst_state), one.vehicle))[:MOST_VEHICLES]
    }
    return tuple(one.vehicle for one in asking if one.vehicle in kept)


def _asking(view: PackView, names: Mapping[str, str]) -> list[VehicleView]:
    told = {signal.vehicle for signal in view.first.signals}
    told |= {row.vehicle for month in view.first.book for row in month.rows}
    return [
        one
        for one in view.month.vehicles
        if one.vehicle in names and (one.worst_state in _PRESSING or one.vehicle in told)
    ]


def write_month_pdf(
    view: PackView, folder: Path, names: Mapping[str, str], say: Callable[[str], None] | None = None
) -> PdfMade | NoAnswer:
    """Write `pack.pdf` from the pages in the pack's folder: the first page, the fleet, and `printed_vehicles`.

    `names` holds the path of each vehicle's page below the folder. Where the PDF cannot be made, the reason is
    returned and an older file of that name is taken away, which would tell of another day.

    Raises
    ------
    InputError
        It cannot be written.
    """
    shown, asking = printed_vehicles(view, names), len(_asking(view, names))
    pages = [FIRST, FLEET, *(names[vehicle] for vehicle in shown)]
    notes = []
    if asking > len(shown):
        notes.append(
            _(
                "Of {all} vehicles past a limit, to be booked or with an open signal the {n} most urgent are printed.",
                all=number(asking),
                n=number(len(shown)),
            )
        )
    notes.append(_("Every other vehicle with something to do has its page in the folder of the pack."))
    made = make_pdf(
        [(name, (folder / name).read_text(encoding="utf-8")) for name in pages],
        folder,
        title=f"{view.month.workspace}, {view.month.title}",
        note=" ".join(notes),
        say=say,
    )
    if isinstance(made, NoAnswer):
        (folder / PDF).unlink(missing_ok=True)
    else:
        write_whole(folder / PDF, made.content)
    return made
