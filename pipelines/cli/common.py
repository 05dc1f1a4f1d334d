"""What every command shares: options, output as text or JSON, and waiting for the database."""

from __future__ import annotations

import dataclasses
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeElapsedColumn
from rich.progress import Progress as Bar
from rich.table import Table

from pipelines.workspace import Workspace, open_workspace
from wearlab.errors import InputError
from wearlab.language import speak

if TYPE_CHECKING:
    from pipelines.sheets.progress import Progress

Home = Annotated[Path, typer.Option("--home", metavar="DIR", help="Folder of the workspace.", envvar="WEARLAB_HOME")]
AsOf = Annotated[str | None, typer.Option("--as-of", metavar="DATE", help="Work as if today were DATE (2026-10-31).")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON and nothing else.")]

HERE = Path()


def console(*, stderr: bool = False) -> Console:
    """A console whose text is never read as markup; wide enough for tables when it is not a screen."""
    out = Console(stderr=stderr, markup=False, highlight=False, emoji=False)
    if not out.is_terminal:
        out = Console(stderr=stderr, markup=False, highlight=False, emoji=False, width=160)
    return out


def workspace(home: Path) -> Workspace:
    """Open the workspace and speak its language; while another process holds the database, say so on standard error."""
    said: list[int] = []

    def waiting(seconds: float) -> None:
        if not said or seconds - said[-1] >= 5:
            said.append(int(seconds))
            console(stderr=True).print(f"waiting for another wearlab to finish ({seconds:.0f} s) ...")

    opened = open_workspace(home, waiting)
    speak(opened.settings.words.language, opened.settings.words.locale)
    return opened


@contextmanager
def progress_bar(*, quiet: bool) -> Iterator[Callable[[Progress], None] | None]:
    """Show on standard error how far a load has come, and only there and on a screen; yields what is told of it."""
    err = console(stderr=True)
    if quiet or not err.is_terminal:
        yield None
        return
    columns = (BarColumn(), TaskProgressColumn(), TimeElapsedColumn(), TextColumn("{task.description}", markup=False))
    # lines printed meanwhile on the same screen go above the bar; output that goes to a file stays where it goes
    bar = Bar(*columns, console=err, transient=True, redirect_stdout=console().is_terminal)
    with bar:
        task = bar.add_task("", total=None)

        def told(progress: Progress) -> None:
            # it ends with the command: the histories of the parts are still worked out after the last file
            words = f"{progress.doing} {progress.file}"
            bar.update(task, completed=0.99 * progress.done, total=max(progress.total, 1.0), description=words)

        yield told


@contextmanager
def status_line(*, quiet: bool) -> Iterator[Callable[[str], None] | None]:
    """Show on standard error what is being done, and only there and on a screen; yields what is told of it."""
    err = console(stderr=True)
    if quiet or not err.is_terminal:
        yield None
        return
    with err.status("") as line:
        yield lambda text: line.update(escape(text))


def as_of_date(text: str | None) -> date:
    """The date a command works for: today, or the one of --as-of."""
    if text is None:
        return date.today()
    return parse_date(text, "--as-of")


def parse_date(text: str, where: str) -> date:
    """Read a date given on the command line.

    Raises
    ------
    InputError
        The text is not a date of the form 2026-10-31.
    """
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(f'{where} "{text}" is not a date: write it as 2026-10-31') from None


def show_json(value: Any) -> None:
    """Print a value as JSON: dates as ISO text, dataclasses as objects."""
    sys.stdout.write(json.dumps(value, default=_plain, ensure_ascii=False, indent=1, allow_nan=False) + "\n")


def _plain(value: Any) -> Any:
    if isinstance(value, (date, datetime)):
        return value.isoformat()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return dataclasses.asdict(value)
    if isinstance(value, Path):
        return str(value)
    if hasattr(value, "item"):
        return value.item()
    raise TypeError(f"{type(value).__name__} has no JSON form")


def table(
    title: str, columns: list[str], rows: list[list[str]], *, right: tuple[int, ...] = (), whole: tuple[int, ...] = ()
) -> Table:
    """A plain table; `right` names the columns of numbers, `whole` those that a narrow screen does not break."""
    made = Table(title=title, title_justify="left", box=None, pad_edge=False, header_style="bold")
    for number, column in enumerate(columns):
        made.add_column(
            column, justify="right" if number in right else "left", overflow="fold", no_wrap=number in whole
        )
    for row in rows:
        made.add_row(*row)
    return made


def number(value: float | None, digits: int = 1, unit: str = "") -> str:
    """A number for people; a dash where there is none."""
    if value is None:
        return "-"
    text = f"{value:,.{digits}f}"
    return f"{text} {unit}" if unit else text


def about(km: float | None) -> str:
    """A forecast distance in whole thousands of km; a dash where there is none."""
    return "-" if km is None else number(round(km, -3), 0)


def day(value: date | None) -> str:
    """A date for people; a dash where there is none."""
    return "-" if value is None else value.isoformat()
