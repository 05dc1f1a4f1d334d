"""How far a load has come, told to whoever shows it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipelines.sheets.files import size_of

#: Share of a file's work after which it is read; the rest is checking and storing its rows.
READ = 0.2


@dataclass(frozen=True, slots=True)
class Progress:
    """What is done to which file, and `done` of `total` bytes; every file counts with its size."""

    file: str
    doing: str
    done: float
    total: float


class Meter:
    """Turns stages of single files into the progress of the whole load; `tell` None: nobody listens."""

    def __init__(self, paths: Sequence[Path], tell: Callable[[Progress], None] | None) -> None:
        self._tell = tell
        self._sizes = [size_of(path) for path in paths] if tell is not None else []
        self._shares = [0.0] * len(self._sizes)

    def at(self, place: int, name: str) -> Callable[[str, float], None]:
        """Return what notes for the file at `place` what is done to it and which share of it is done."""

        def stage(doing: str, share: float) -> None:
            if self._tell is None:
                return
            self._shares[place] = max(self._shares[place], share)
            done = sum(size * part for size, part in zip(self._sizes, self._shares, strict=True))
            self._tell(Progress(name, doing, done, float(sum(self._sizes))))

        return stage


def unheard(doing: str, share: float) -> None:
    """Take a stage and tell nobody."""
