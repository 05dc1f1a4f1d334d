"""Entry of the command line: the list of commands, errors as one sentence, exit codes.

Exit codes: 0 done, 1 some files were refused, 2 nothing could be done.
"""

from __future__ import annotations

import sys
from typing import Annotated

import typer
from typer.exceptions import TyperException

from pipelines.cli import (
    backup,
    chart,
    control,
    export,
    hindsight,
    influences,
    lives,
    look,
    month,
    outlook,
    parts,
    plan,
    questions,
    settle,
    setup,
    sheets,
    signals,
)
from pipelines.disk import disk_sentence, is_of_disk
from wearlab import __version__
from wearlab.errors import WearlabError

app = typer.Typer(
    name="wearlab",
    help="From a drawer of diesel fuel-system test sheets to what to book, test and order.",
    epilog="Any command: --debug shows the whole fault. wearlab records and plans; it does not authorise work.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

# the order of the month: set up, load, look, look ahead, report
app.command("new")(setup.new)
app.command("form")(setup.form)
app.command("load")(sheets.load)
app.command("aside")(settle.aside)
app.command("settle")(settle.settle)
app.command("unload")(settle.unload)
app.command("reload")(settle.reload)
app.command("undo")(settle.undo)
app.command("readings")(sheets.readings)
app.command("note")(sheets.note)
app.command("judge")(look.judge)
app.command("vehicle")(look.vehicle)
app.command("learn")(outlook.learn)
app.command("due")(outlook.due)
app.command("hindsight")(hindsight.hindsight)
app.command("signals")(signals.signals)
app.command("plan")(plan.plan)
app.command("parts")(parts.parts)
app.command("influences")(influences.influences)
app.command("compare")(questions.compare)
app.command("repeats")(questions.repeats)
app.command("rigs")(questions.rigs)
app.command("control")(control.control)
app.command("lives")(lives.lives)
app.command("chart")(chart.chart)
app.command("month")(month.month)
app.command("export")(export.export)
app.command("backup")(backup.backup)
app.command("restore")(backup.restore)
app.command("check")(backup.check)
app.command("demo")(setup.demo)


def _version(wanted: bool) -> None:
    if wanted:
        sys.stdout.write(f"wearlab {__version__}\n")
        raise typer.Exit


@app.callback()
def _start(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Shared start of every command; nothing heavy is imported here."""


def main(arguments: list[str] | None = None) -> None:
    """Run one command and leave with its exit code."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    debug = "--debug" in words
    words = [word for word in words if word != "--debug"]
    try:
        code = app(words, standalone_mode=False)
    except WearlabError as fault:
        if debug:
            raise
        _complain(str(fault))
        code = 2
    except typer.Exit as leaving:
        code = leaving.exit_code
    except (typer.Abort, KeyboardInterrupt):
        _complain("stopped: what was not finished was not stored")
        code = 2
    except TyperException as fault:
        _complain(f"{fault.format_message()} See wearlab --help.")
        code = 2
    except Exception as fault:
        if debug:
            raise
        _complain(
            disk_sentence(fault)
            if isinstance(fault, OSError) and is_of_disk(fault)
            else f"wearlab met a fault of its own ({type(fault).__name__}: {fault}): nothing unfinished was stored; "
            "run the command again with --debug and report what it prints"
        )
        code = 2
    sys.exit(code if isinstance(code, int) else 0)


def _complain(sentence: str) -> None:
    sys.stderr.write(f"wearlab: {sentence}\n")
