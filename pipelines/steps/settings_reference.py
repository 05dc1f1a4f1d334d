"""The reference of `wearlab.toml`, made from the settings that the program reads: tables, keys, kinds and defaults."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from typing import Any

from wearlab.config import Settings

#: where each class of settings is written; a class below another one is reached from its table
_TABLES = {
    "Family": '[families."NAME"]',
    "Protocol": '[protocols."NAME"]',
    "LimitRule": "[[limits]]",
    "Conditions": "conditions = { ... } of a limit",
    "Rig": '[rigs."NAME"]',
    "Tube": 'tubes."CHANNEL" = { ... } of a rig',
    "Sensor": '[sensors."NAME"]',
    "Visits": "[visits]",
    "Horizons": "[horizons]",
    "Signals": "[signals]",
    "Spread": "[spread]",
    "Fuel": "[fuel]",
    "Costs": "[costs]",
    "FamilyCosts": '[costs.parts."FAMILY"]',
    "PartCost": '[costs.parts."FAMILY".injector] and .pump',
    "FamilyFailures": '[failures."FAMILY"]',
    "RoadFailure": '[failures."FAMILY".injector] and .pump',
    "PlanRules": "[plan]",
    "Parts": "[parts]",
    "PartNumber": '[parts."NUMBER"]',
    "Words": "[words]",
}

_HEAD = """\
# The settings, key by key

Made from the program by `make reference`. `wearlab new` writes a `wearlab.toml` with examples in it. Every key is
optional unless it says *needed*. An unknown key is refused with its name. No limit, cost or failure rate has a figure
of its own: what is not stated stays unknown, and answers that need it say so.
"""

_BOUNDS = (("exclusiveMinimum", "above"), ("minimum", "from"), ("exclusiveMaximum", "below"), ("maximum", "to"))

#: a class whose tables are told one by one
_APART = {("Parts", "numbers")}


def settings_reference() -> str:
    """Return the whole page as Markdown."""
    schema = Settings.model_json_schema()
    classes = schema["$defs"]
    if missing := set(classes) - set(_TABLES) - _words(classes):
        raise LookupError(f"no place is known for {', '.join(sorted(missing))}")
    parts = [_HEAD, *_section("At the top of the file", schema, classes, only_values=True)]
    for name, title in _TABLES.items():
        parts += _section(f"`{title}`", classes[name], classes, name=name)
    return "\n".join(parts)


def _words(classes: dict[str, Any]) -> set[str]:
    """Classes that are sets of words, told where they stand."""
    return {name for name, told in classes.items() if "enum" in told}


def _section(
    title: str, told: dict[str, Any], classes: dict[str, Any], *, name: str = "", only_values: bool = False
) -> Iterator[str]:
    yield f"## {title}\n"
    if not only_values:
        yield f"{_paragraphs(told.get('description', ''))}\n"
    yield "| key | meaning | written as | without it |\n|---|---|---|---|"
    needed = set(told.get("required", ()))
    for key, one in told["properties"].items():
        if (only_values and _is_table(one, classes)) or (name, key) in _APART:
            continue
        default = "*needed*" if key in needed else _default(one.get("default"))
        yield f"| `{key}` | {_cell(one.get('description', ''))} | {_cell(_kind(one, classes))} | {default} |"
    yield ""


def _is_table(one: dict[str, Any], classes: dict[str, Any]) -> bool:
    return "table" in _kind(one, classes)


def _paragraphs(text: str) -> str:
    return "\n\n".join(" ".join(part.split()) for part in text.split("\n\n"))


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def _default(value: Any) -> str:
    if value is None or value in ("", [], {}):
        return "nothing"
    if isinstance(value, dict):
        return "as below"
    return f"`{json.dumps(value)}`"


def _kind(one: dict[str, Any], classes: dict[str, Any]) -> str:
    """How a value is written, in words."""
    if "$ref" in one:
        target = one["$ref"].rpartition("/")[2]
        return _kind(classes[target], classes) if "enum" in classes[target] else "table"
    if "anyOf" in one:
        return " or ".join(_kind(part, classes) for part in one["anyOf"] if part.get("type") != "null")
    if "allOf" in one:
        return _kind(one["allOf"][0], classes)
    if "enum" in one:
        return ", ".join(f'`"{word}"`' for word in one["enum"])
    if one.get("format") == "date":
        return "date"
    kind = str(one["type"])
    if kind == "array":
        return _list(one, classes)
    if kind == "object":
        inner = one.get("additionalProperties")
        told = _kind(inner, classes) if isinstance(inner, dict) else ""
        return "tables by name" if "table" in told else f"{{ name = {told} }}"
    return {"number": "number", "integer": "whole number", "boolean": "true or false", "string": "text"}[kind] + _range(
        one
    )


def _list(one: dict[str, Any], classes: dict[str, Any]) -> str:
    if "prefixItems" in one:
        return "[" + ", ".join(_kind(item, classes) for item in one["prefixItems"]) + "]"
    inner = _kind(one.get("items", {"type": "string"}), classes)
    return "tables" if inner == "table" else f"[{inner}, ...]"


def _range(one: dict[str, Any]) -> str:
    told = [f"{words} {one[key]:g}" for key, words in _BOUNDS if key in one]
    return f" {' '.join(told)}" if told else ""


if __name__ == "__main__":
    sys.stdout.write(settings_reference())
