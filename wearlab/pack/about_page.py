"""What a pack rests on, as plain values: the run behind it, limits with their sources, settings, programs, inputs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One limit in force, as it was configured."""

    name: str
    #: "return flow, warm idle"; a limit of no one protocol names its measure alone
    test: str
    #: "at most 45 ml/min"
    text: str
    #: what it applies to: the families, the conditions; empty: to all
    applies: str
    version: int | None
    since: date | None
    source: str


@dataclass(frozen=True, slots=True)
class AboutPage:
    """What the last page tells of how a pack came about; pairs are (name, text).

    `run` names the run, its day, what it was made of and its seeds; `programs` the versions it ran with; `known` says
    what of the records was known then, one sentence each.
    """

    run: tuple[tuple[str, str], ...] = ()
    programs: tuple[tuple[str, str], ...] = ()
    limits: tuple[LimitRow, ...] = ()
    settings: tuple[tuple[str, str], ...] = ()
    known: tuple[str, ...] = ()
