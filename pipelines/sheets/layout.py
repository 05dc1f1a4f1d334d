"""Layouts: which column of a sheet means what. A TOML per kind of sheet, found again by its header."""

from __future__ import annotations

import re
from datetime import datetime
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from pipelines.sheets.fields import FIELDS, QUANTITY, REQUIRED
from pipelines.sheets.words import fold, measured_unit, position_of
from wearlab.errors import ConfigError, UnitError
from wearlab.records import Driven, Measure, WorkKind
from wearlab.toml_text import read_toml, toml_bytes

_TARGETS: dict[str, frozenset[str]] = {
    "measure": frozenset(Measure),
    "driven": frozenset(Driven),
    "kind": frozenset(WorkKind),
}


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _one_sign(marks: tuple[str, ...]) -> tuple[str, ...]:
    if any(len(mark) != 1 or mark.isalnum() for mark in marks):
        raise ValueError("a thousands mark is one sign that is neither letter nor digit")
    return marks


def _date_forms(forms: tuple[str, ...]) -> tuple[str, ...]:
    for form in forms:
        try:
            datetime.strptime("", form)
        except re.error:
            raise ValueError(f'the date format "{form}" names a part of the date twice') from None
        except ValueError as fault:
            if "directive" in str(fault) or "stray" in str(fault):
                raise ValueError(f'the date format "{form}" has a sign after % that means nothing') from None
    return forms


class FileRules(_Strict):
    """How the file itself is written."""

    encodings: tuple[str, ...] = ()
    delimiter: str | None = Field(default=None, min_length=1, max_length=1)
    sheet: str | None = None
    header_rows: Literal[1, 2, 3] = 1
    decimal: Literal[".", ","] = "."
    thousands: tuple[str, ...] = ()
    date_formats: tuple[str, ...] = ("%Y-%m-%d",)

    _marks = field_validator("thousands")(_one_sign)
    _forms = field_validator("date_formats")(_date_forms)

    @model_validator(mode="after")
    def _apart(self) -> FileRules:
        if self.decimal in self.thousands:
            raise ValueError(f'"{self.decimal}" cannot be both the decimal mark and a thousands mark')
        return self


class Defaults(_Strict):
    """Values of fields that the sheet itself does not give."""

    measure: Measure | None = None
    protocol: str | None = None
    driven: Driven | None = None
    position: str | None = None
    unit: str | None = None
    duration: str | None = None
    volume: str | None = None
    rise_to: str | None = None
    back_pressure: str | None = None
    metering_valve: str | None = None
    injectors_connected: bool | None = None
    temp_kind: str | None = None
    rig: str | None = None
    tube: str | None = None
    graduation: str | None = None
    depot: str | None = None
    sensor: str | None = Field(default=None, description="sensor of wearlab.toml that readings in volts come from")
    reason: str | None = None
    kind: str | None = None


class Column(_Strict):
    """One column: its header as written in the sheet, and the field it fills."""

    header: str = Field(min_length=1)
    nth: int = Field(default=1, ge=1, description="of columns with the same header: 1 for the first from the left")
    field: str
    optional: bool = False
    unit: str | None = None
    measure: Measure | None = None
    protocol: str | None = None
    driven: Driven | None = None
    position: str | None = None
    repeat: int | None = Field(default=None, ge=1)
    duration: str | None = None
    volume: str | None = None
    rise_to: str | None = None
    words: dict[str, str] = {}
    decimal: Literal[".", ","] | None = None
    thousands: tuple[str, ...] | None = None
    date_formats: tuple[str, ...] | None = None

    @field_validator("thousands")
    @classmethod
    def _marks(cls, marks: tuple[str, ...] | None) -> tuple[str, ...] | None:
        return None if marks is None else _one_sign(marks)

    @field_validator("date_formats")
    @classmethod
    def _forms(cls, forms: tuple[str, ...] | None) -> tuple[str, ...] | None:
        return None if forms is None else _date_forms(forms)

    @model_validator(mode="after")
    def _fits(self) -> Column:
        if not fold(self.header):
            raise ValueError(f'the header "{self.header}" holds no letter or digit')
        if self.unit is not None and self.field not in ("value", "reading"):
            quantity = QUANTITY.get(self.field)
            if quantity is None:
                raise ValueError(f'the field "{self.field}" takes no unit')
            found = measured_unit(self.unit).quantity
            if found != quantity and not (self.field == "engine_hours" and found == "time"):
                raise ValueError(f'"{self.unit}" measures {found}, but "{self.field}" is a {quantity}')
        targets = _TARGETS.get(self.field)
        for word, meaning in self.words.items():
            if targets is not None and meaning not in targets:
                raise ValueError(f'"{word}" means "{meaning}", which is none of {", ".join(sorted(targets))}')
            if self.field in ("position", "position_to") and position_of(meaning) is None:
                raise ValueError(f'"{word}" means "{meaning}", which is no position')
        return self


class Numbering(_Strict):
    """How the sheet numbers cylinders, where it is not their number on the engine."""

    firing_order: tuple[int, ...] = Field(default=(), description="the k-th written place is this cylinder")
    from_other_end: int | None = Field(default=None, ge=2, le=24, description="cylinders of the engine")

    @model_validator(mode="after")
    def _whole(self) -> Numbering:
        if self.firing_order and sorted(self.firing_order) != list(range(1, len(self.firing_order) + 1)):
            raise ValueError(
                "firing_order must name every cylinder from 1 to their number once, for example [1, 3, 4, 2]"
            )
        if self.firing_order and self.from_other_end is not None:
            raise ValueError("positions are given in firing order or from the other end, not both: keep one")
        return self

    def cylinder(self, position: str | None) -> str | None:
        """Return the cylinder that a written position means; None for a number beyond the engine."""
        if position is None or not position.isdecimal():
            return position
        place = int(position)
        if self.firing_order:
            return str(self.firing_order[place - 1]) if place <= len(self.firing_order) else None
        if self.from_other_end is not None:
            return str(self.from_other_end + 1 - place) if place <= self.from_other_end else None
        return position


class Layout(_Strict):
    """One kind of sheet. `built_in` layouts give way to a workspace's own."""

    name: str = Field(min_length=1)
    kind: Literal["tests", "vehicles", "events", "odometer", "visits", "stock", "rigs"]
    file: FileRules = FileRules()
    defaults: Defaults = Defaults()
    columns: tuple[Column, ...] = Field(min_length=1)
    positions: Numbering = Numbering()
    marks: dict[str, str] = Field(default={}, description='meaning of footnote marks, for example "*" = "foam"')
    exact: bool = Field(default=False, description="a sheet with a column more is another kind of sheet")
    asked: dict[str, str] = Field(default={}, description="open questions of context: key and sentence")
    built_in: bool = Field(default=False, exclude=True)

    @model_validator(mode="after")
    def _complete(self) -> Layout:
        known = FIELDS[self.kind]
        headers: set[tuple[str, int]] = set()
        single: set[str] = set()
        for column in self.columns:
            if column.field not in known:
                raise ValueError(
                    f'"{column.field}" (column "{column.header}") is no field of a sheet of {self.kind}: '
                    f"use one of {', '.join(sorted(known))}"
                )
            if (fold(column.header), column.nth) in headers:
                raise ValueError(f'the column "{column.header}" is listed twice')
            headers.add((fold(column.header), column.nth))
            if column.field in single and column.field not in ("reading", "value", "note", "ignore"):
                raise ValueError(f'two columns fill the field "{column.field}"')
            single.add(column.field)
        for choice in REQUIRED[self.kind]:
            given = choice & single or any(getattr(self.defaults, name, None) for name in choice)
            if not given:
                raise ValueError(f"no column fills {' or '.join(sorted(choice))}")
        if all(column.optional or column.field == "ignore" for column in self.columns):
            raise ValueError("every column is optional, so the layout would fit any sheet: keep one that must be there")
        if self.kind == "tests":
            self._readings(single)
        return self

    def _readings(self, fields: set[str]) -> None:
        for column in self.columns:
            if column.field not in ("reading", "value"):
                continue
            where = f'the column "{column.header}" does not say'
            measure = column.measure or self.defaults.measure
            if measure is None and not fields & {"measure", "what"}:
                raise ValueError(f"{where} which measure it holds: add measure, a default or a measure column")
            pump = measure is not None and measure.value.startswith("pump")
            place = column.position or self.defaults.position
            if place is None and "position" not in fields and not pump and measure != Measure.RIG_CHECK:
                raise ValueError(f"{where} which position it holds: add position or a position column")
            if place is not None and position_of(place) is None:
                raise ValueError(f'the position "{place}" is none: use a number from 1 to 24, "pump" or "set"')


def read_layouts(folder: Path) -> list[Layout]:
    """Read every layout of a folder, then the ones that come with the package.

    Raises
    ------
    ConfigError
        A layout cannot be used; the sentence names the file, the key and what was expected.
    """
    found = [parse_layout(toml_bytes(path), str(path)) for path in sorted(folder.glob("*.toml"))]
    names: set[str] = set()
    for layout in found:
        if layout.name in names:
            raise ConfigError(f'{folder}: two layouts are called "{layout.name}": give each its own name')
        names.add(layout.name)
    return found + built_in_layouts()


def built_in_layouts() -> list[Layout]:
    """Return the layouts that come with the package: the blank forms."""
    folder = resources.files("pipelines.sheets").joinpath("layouts")
    entries = sorted((entry for entry in folder.iterdir() if entry.name.endswith(".toml")), key=lambda e: e.name)
    return [parse_layout(entry.read_bytes(), entry.name).model_copy(update={"built_in": True}) for entry in entries]


def parse_layout(content: bytes, name: str) -> Layout:
    """Read one layout from the bytes of its TOML; `name` is used in the error sentence.

    Raises
    ------
    ConfigError
        It is not UTF-8, not TOML, has an unknown key, or something that cannot be.
    """
    data = read_toml(content, name)
    if "open" in data:
        raise ConfigError(
            f'{name} is a proposal with open questions: answer them in it and take its line "open = ..." out, '
            'or answer them with "wearlab settle" and load the sheet again'
        )
    if "built_in" in data:
        raise ConfigError(f'{name}: "built_in" is not a known key: remove it or correct its spelling')
    try:
        layout = Layout.model_validate(data)
        parse_units(layout)
        return layout
    except ValidationError as fault:
        raise ConfigError(f"{name}: {_sentence(fault, data)}") from None
    except UnitError as fault:
        raise ConfigError(f"{name}: {fault}; correct the unit") from None


def parse_units(layout: Layout) -> None:
    """Check every unit and every amount that a layout names.

    Raises
    ------
    UnitError
        One of them is none, or is one of another quantity.
    """
    parts: tuple[Column | Defaults, ...] = (*layout.columns, layout.defaults)
    for one in parts:
        _units(one.unit, one.duration, one.volume, one.rise_to)


def _units(unit: str | None, duration: str | None, volume: str | None, rise_to: str | None) -> None:
    if unit is not None:
        measured_unit(unit)
    amounts = ((duration, "time", "60 s"), (volume, "volume", "20 ml"), (rise_to, "pressure", "1000 bar"))
    for text, quantity, example in amounts:
        if text is not None:
            found = re.fullmatch(r"\s*\d+(?:\.\d+)?\s*(\D.*)", text)
            if found is None or _quantity(found.group(1)) != quantity:
                raise UnitError(f'"{text}" is no {quantity} with its unit, for example "{example}"')


def _quantity(text: str) -> str | None:
    try:
        return measured_unit(text).quantity
    except UnitError:
        return None


def _sentence(fault: ValidationError, data: dict[str, Any]) -> str:
    # a misspelt key explains a missing one, so it is told first
    first = min(fault.errors(), key=lambda one: one["type"] != "extra_forbidden")
    place = ".".join(str(step) for step in first["loc"])
    if len(first["loc"]) >= 2 and first["loc"][0] == "columns" and isinstance(first["loc"][1], int):
        column = data["columns"][first["loc"][1]]
        header = column.get("header") if isinstance(column, dict) else None
        place += f' (column "{header}")' if header else ""
    if first["type"] == "extra_forbidden":
        return f'"{place}" is not a known key: remove it or correct its spelling'
    text = first["msg"].removeprefix("Value error, ")
    more = len(fault.errors()) - 1
    return (f"{place}: " if place else "") + text + (f" (and {more} more)" if more else "")
