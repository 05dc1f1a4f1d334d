"""One column of a layout in the making, and all of them together."""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import field as made

from pipelines.sheets.propose_cells import Column
from pipelines.sheets.propose_header import Header
from pipelines.sheets.propose_kind import Candidate
from pipelines.sheets.propose_question import LayoutQuestion


@dataclass(slots=True)
class Role:
    """One column of the layout in the making; `why` becomes the comment that shows the proof."""

    column: Column
    header: Header
    field: str
    why: list[str] = made(default_factory=list)
    measure: str | None = None
    position: str | None = None
    repeat: int | None = None
    driven: str | None = None
    duration: str | None = None
    rise_to: str | None = None
    unit: str | None = None
    words: dict[str, str] = made(default_factory=dict)
    decimal: str | None = None
    thousands: tuple[str, ...] | None = None
    formats: tuple[str, ...] = ()
    concept: str = ""


@dataclass(slots=True)
class Roles:
    """All columns of a sheet with what could not be decided about them."""

    used: list[Role] = made(default_factory=list)
    unused: list[tuple[Column, str]] = made(default_factory=list)
    questions: list[LayoutQuestion] = made(default_factory=list)

    def one(self, name: str) -> Role | None:
        """Return the column of a field, None when there is none."""
        return next((role for role in self.used if role.field == name), None)

    @property
    def readings(self) -> list[Role]:
        """The columns that hold readings."""
        return [role for role in self.used if role.field in ("reading", "value")]


def take(roles: Roles, free: list[Candidate], one: Candidate, name: str, concept: str, why: str) -> Role:
    """Give a free column its field."""
    header = one.header
    role = Role(one.column, header, name, [why] if why else [], unit=header.unit, concept=concept)
    roles.used.append(role)
    free.remove(one)
    return role
