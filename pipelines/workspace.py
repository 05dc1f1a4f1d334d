"""A workspace: a folder with wearlab.toml, the database, layouts/ and reports/."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from importlib import resources
from itertools import count
from pathlib import Path, PurePath

from pipelines.steps.whole_file import write_whole
from wearlab.config import Settings, read_settings
from wearlab.errors import ConfigError, InputError, StoreError, WearlabError
from wearlab.store.database import Database, open_database
from wearlab.store.faults import StoreShut

CONFIG = "wearlab.toml"
STORE = "wearlab.duckdb"
#: seconds a command waits for another process that holds the database
WAIT_S = 30.0


@dataclass(frozen=True, slots=True)
class Workspace:
    """An existing workspace with its checked settings."""

    home: Path
    settings: Settings
    on_wait: Callable[[float], None] | None = None

    @property
    def layouts(self) -> Path:
        """Folder of the layouts, one TOML per kind of sheet."""
        return self.home / "layouts"

    @property
    def reports(self) -> Path:
        """Folder that the monthly packs are written to."""
        return self.home / "reports"

    @property
    def store(self) -> Path:
        """File of the database; it exists once a first sheet was loaded."""
        return self.home / STORE

    @property
    def settings_sha256(self) -> str:
        """Hash of what wearlab.toml says that forecasts rest on, kept with every run; costs and plans are not of it."""
        told = self.settings.model_dump_json(exclude={"costs", "failures", "plan", "parts"})
        return hashlib.sha256(told.encode()).hexdigest()

    def save_layout(self, name: str, toml: str, *, finished: bool) -> str:
        """Write a proposed layout as a new file and return its place within the workspace.

        One with open questions goes into `layouts/proposed`, where no layout is read; the same text is written once.

        Raises
        ------
        WearlabError
            The folder cannot be written.
        """
        folder = self.layouts if finished else self.layouts / "proposed"
        stem = re.sub(r"[^a-z0-9]+", "_", PurePath(name).stem.casefold() if not finished else name.casefold())
        stem = stem.strip("_")[:60] or "layout"
        content = toml.encode("utf-8", "replace")
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for number in count(1):
                path = folder / (f"{stem}.toml" if number == 1 else f"{stem}_{number}.toml")
                if not path.exists() and not path.is_symlink():  # a link that leads nowhere would be written through
                    write_whole(path, content)
                elif not path.exists() or path.read_bytes() != content:
                    continue
                break
        except (OSError, InputError) as fault:
            why = getattr(fault, "strerror", None) or fault
            raise WearlabError(
                f"{folder} cannot be written ({why}): make it writable, then load the sheet again"
            ) from None
        return path.relative_to(self.home).as_posix()

    def open(self, *, read_only: bool = False, create: bool = False) -> Database:
        """Open the database, waiting for another process to finish; only a load may create it.

        One that cannot be written is opened to be looked at: what is up to date can be told from a read-only copy, and
        the first row that would be written raises.

        Raises
        ------
        StoreError
            Nothing was ever loaded, or the database cannot be opened.
        """
        there = self.store.exists()
        if not create and not there:
            raise StoreError(f'no sheet is loaded yet in {self.home.resolve()}: load a first one with "wearlab load"')
        try:
            return open_database(self.store, read_only=read_only, wait_s=WAIT_S, on_wait=self.on_wait)
        except StoreShut:
            if read_only or not there:
                raise
            return open_database(self.store, read_only=True, wait_s=WAIT_S, on_wait=self.on_wait)

    def scratch(self) -> Database:
        """An empty database in memory, for a look at sheets before anything is stored."""
        return open_database(Path(":memory:"))


def open_workspace(home: Path, on_wait: Callable[[float], None] | None = None) -> Workspace:
    """Open the workspace in `home`.

    Raises
    ------
    ConfigError
        The folder holds no wearlab.toml, or one that cannot be used.
    """
    if not (home / CONFIG).is_file():
        raise ConfigError(
            f'{home.resolve()} is not a workspace (no {CONFIG}): make one with "wearlab new DIR", '
            "or name one with --home DIR"
        )
    return Workspace(home, read_settings(home / CONFIG), on_wait)


def new_workspace(home: Path) -> Workspace:
    """Make a workspace with a commented wearlab.toml that sets nothing yet.

    Raises
    ------
    WearlabError
        The folder already is a workspace, or cannot be written.
    """
    if (home / CONFIG).exists():
        raise WearlabError(f"{home.resolve()} already is a workspace: nothing was changed")
    try:
        (home / "layouts").mkdir(parents=True, exist_ok=True)
        (home / "reports").mkdir(exist_ok=True)
        text = resources.files("pipelines").joinpath("wearlab.toml").read_text("utf-8")
        write_whole(home / CONFIG, text.encode())
    except (OSError, InputError) as fault:
        why = getattr(fault, "strerror", None) or fault
        raise WearlabError(f"{home.resolve()} cannot be written ({why}): choose a folder you may write to") from None
    return open_workspace(home)
