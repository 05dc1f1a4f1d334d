"""The demo: a workspace from the invented fleet's sheets, loaded, learned, forecast and reported."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

from pipelines.demo import write_demo
from pipelines.sheets.files import find_files
from pipelines.sheets.layout import read_layouts
from pipelines.sheets.load import FileAccount, load_files
from pipelines.steps.learn import learn
from pipelines.steps.month import write_month
from pipelines.workspace import STORE, open_workspace
from wearlab.errors import InputError

_MINE = "made-by-wearlab-demo"


def build_demo(
    home: Path, sheets: Path | None, as_of: date, *, say: Callable[[str], None] | None = None
) -> dict[str, Any]:
    """Build (or build again) the demo workspace in `home`; return the month's pack.

    Raises
    ------
    InputError
        The folder holds something that is not an earlier demo: nothing of it is touched.
    """
    told = say or (lambda text: None)
    if home.exists() and any(home.iterdir()):
        if not (home / _MINE).exists():
            raise InputError(f"{home} is not empty and no earlier demo: choose another folder; nothing was changed")
        _clear(home)
    home.mkdir(parents=True, exist_ok=True)
    (home / _MINE).write_text("This folder is made anew by every run of the demo.\n")
    source = home / "sheets-made-here" if sheets is None else sheets
    if sheets is None:
        write_demo(source)
    if not (source / "wearlab.toml").is_file():
        raise InputError(f"{source} holds no demo fleet (no wearlab.toml): leave --sheets out to make one")
    shutil.copy2(source / "wearlab.toml", home / "wearlab.toml")
    shutil.copytree(source / "layouts", home / "layouts")
    (home / "reports").mkdir()
    place = open_workspace(home)
    told(f"loading the demo fleet's sheets into {home / STORE}")
    with place.open(create=True) as db:
        accounts = load_files(
            db,
            place.settings,
            read_layouts(place.layouts),
            find_files([source / "sheets"]),
            as_of=as_of,
            roots=[source / "sheets"],
            on_file=lambda account: told(f"  {_line(account)}"),
        )
        told("learning: the wear of every part")
        learn(db, place, as_of)
    told("writing the monthly pack")
    done = write_month(place, f"{as_of:%Y-%m}", as_of, say=say)
    return {**done, "home": str(home), "files": len(accounts)}


def _clear(home: Path) -> None:
    """Empty the folder; its mark goes last, so that one stopped half-way is still known as a demo."""
    for path in home.iterdir():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        elif path.name != _MINE:
            path.unlink()
    (home / _MINE).unlink()


def _line(account: FileAccount) -> str:
    if account.status == "refused":
        return f"{account.file}: refused. {account.sentence}"
    return (
        f"{account.file}: {account.rows_read} rows, {account.readings} readings, {account.flagged} flagged, "
        f"{account.set_aside} set aside"
    )
