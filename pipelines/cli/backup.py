"""Commands that keep a workspace safe: save it in one file, make it again from one, look it through."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli.common import HERE, AsOf, Home, Json, as_of_date, console, show_json, status_line, workspace


def backup(
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="The file; without it a new one in backups/.")
    ] = None,
    reports: Annotated[bool, typer.Option("--reports", help="Also the monthly packs.")] = False,
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Save the workspace in one file, whole or not at all, and read it back."""
    from pipelines.steps.backup import back_up

    as_of_date(as_of)
    place = workspace(home)
    with status_line(quiet=as_json) as said:
        done = back_up(place, out, datetime.now(UTC), reports=reports, say=said)
    if as_json:
        show_json(asdict(done))
        return
    print_ = console().print
    print_(f"{done.file}: {done.members} files, {done.rows:,} rows, {done.bytes / 1e6:,.1f} MB, read back and whole")
    if out is None:
        print_("keep a copy of it on another disk")


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A file that backup made.")],
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder for the workspace.")],
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Make a workspace from a backup in a new folder; every hash is compared first."""
    from pipelines.steps.restore import restore as restore_backup

    as_of_date(as_of)
    with status_line(quiet=as_json) as said:
        done = restore_backup(file, home / folder, say=said)
    if as_json:
        show_json(asdict(done))
        return
    console().print(
        f"{done.home}: {done.workspace} as saved on {done.made_at}, {done.members} files and {done.rows:,} rows"
    )


def check(
    home: Home = HERE,
    as_of: AsOf = None,
    as_json: Json = False,
) -> None:
    """Look the workspace through: what is wrong, where, and what to do. Nothing is changed."""
    from pipelines.steps.check_store import check_workspace

    as_of_date(as_of)
    place = workspace(home)
    with status_line(quiet=as_json) as said:
        done = check_workspace(place, say=said)
    if as_json:
        show_json(asdict(done))
    else:
        out = console()
        for finding in done.findings:
            out.print(finding.sentence, soft_wrap=True)
        for note in done.notes:
            out.print(f"note: {note}", soft_wrap=True)
        looked = f"{done.rows:,} rows in {done.tables} tables and {done.copies} copies were read"
        wrong = f"{len(done.findings)} faults" if done.findings else "nothing is wrong"
        out.print(f"{looked}: {wrong}")
    if done.findings:
        raise typer.Exit(1)
