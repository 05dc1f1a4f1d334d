"""Writing a proposal as the TOML of a layout: proofs as comments, open questions as a key no reader takes."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field

from pipelines.sheets.propose_question import LayoutQuestion
from pipelines.sheets.propose_role import Role
from pipelines.sheets.propose_words import word_set

_PLAIN_KEY = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")
#: Fields whose absence does not make it another sheet.
OPTIONAL = word_set(
    "note technician complaint fault_codes reason supply_note temp_kind serial channel graduation tube ignore "
    "back_pressure metering_valve injectors_connected"
)


#: Kinds of context questions that the loader asks of itself, with what the rows say.
_LOADERS = word_set("ounce")


@dataclass(frozen=True, slots=True)
class Unused:
    """A column that the layout leaves out: its header, which one of that header it is, and why."""

    header: str
    nth: int
    why: str


@dataclass(slots=True)
class Draft:
    """A layout in the making."""

    name: str
    kind: str
    header_rows: int = 1
    encodings: tuple[str, ...] = ()
    delimiter: str | None = None
    decimal: str = "."
    decimal_proof: str = ""
    thousands: tuple[str, ...] = ()
    formats: tuple[str, ...] = ("%Y-%m-%d",)
    defaults: dict[str, tuple[str, str]] = field(default_factory=dict)  # key: value, proof
    columns: list[Role] = field(default_factory=list)
    unused: list[Unused] = field(default_factory=list)
    marks: dict[str, str] = field(default_factory=dict)


def write(draft: Draft, questions: Sequence[LayoutQuestion]) -> str:
    """Return the TOML text. While a blocking question is open it holds a key that no layout may have."""
    lines = [f"# Proposed for {_comment(draft.name)}. Comments say what proves each line."]
    for question in questions:
        lines.append(f"# {'OPEN' if question.blocks else 'asked'}: {_comment(question.sentence)}")
        if question.evidence:
            lines.append(f"#   {_comment(question.evidence)}")
        if question.answers:
            lines.append(f"#   possible: {_comment(', '.join(question.answers))}")
    lines += ["", f"name = {_text(draft.name)}", f"kind = {_text(draft.kind or '?')}"]
    blocking = [question.key for question in questions if question.blocks]
    if blocking:
        lines.append("# take this line out when its questions are answered below")
        lines.append(f"open = {_list(blocking)}")
    lines.append("exact = true  # a sheet with a column more gets a layout of its own")
    context = [question for question in questions if not question.blocks and question.key not in _LOADERS]
    if context:
        lines += ["", "[asked]  # take a line out once the layout answers it"]
        lines += [f"{_key(question.key)} = {_text(question.with_answers)}" for question in context]
    lines += ["", "[file]"]
    if draft.encodings:
        lines.append(f"encodings = {_list(draft.encodings)}")
    if draft.delimiter is not None:
        lines.append(f"delimiter = {_text(draft.delimiter)}")
    lines.append(f"header_rows = {draft.header_rows}")
    proof = f"  # {_comment(draft.decimal_proof)}" if draft.decimal_proof else ""
    lines.append(f"decimal = {_text(draft.decimal)}{proof}")
    if draft.thousands:
        lines.append(f"thousands = {_list(draft.thousands)}")
    lines.append(f"date_formats = {_list(draft.formats)}")
    if draft.defaults:
        lines += ["", "[defaults]"]
        for key, (value, why) in draft.defaults.items():
            lines.append(f"{key} = {_text(value)}" + (f"  # {_comment(why)}" if why else ""))
    if draft.marks:
        lines += ["", "[marks]"]
        lines += [f"{_text(mark)} = {_text(meaning)}" for mark, meaning in draft.marks.items()]
    for role in draft.columns:
        lines += ["", *_column(role, draft)]
    for one in draft.unused:
        lines += ["", "[[columns]]", f"# {_comment(one.why)}", f"header = {_text(one.header)}"]
        if one.nth > 1:
            lines.append(f"nth = {one.nth}")
        lines += ['field = "ignore"', "optional = true"]
    return "\n".join(lines) + "\n"


def _column(role: Role, draft: Draft) -> list[str]:
    lines = ["[[columns]]"]
    lines += [f"# {_comment(why)}" for why in role.why if why]
    lines += [f"header = {_text(role.column.name)}", f"field = {_text(role.field)}"]
    for key in ("unit", "measure", "position", "driven", "duration", "rise_to"):
        value = getattr(role, key)
        if value is not None:
            lines.append(f"{key} = {_text(value)}")
    if role.repeat is not None and role.repeat >= 1:
        lines.append(f"repeat = {role.repeat}")
    if role.words:
        pairs = ", ".join(f"{_key(word)} = {_text(meaning)}" for word, meaning in role.words.items())
        lines.append(f"words = {{ {pairs} }}")
    if role.decimal is not None and role.decimal != draft.decimal:
        lines.append(f"decimal = {_text(role.decimal)}")
    if role.thousands is not None and role.thousands != draft.thousands:
        lines.append(f"thousands = {_list(role.thousands)}")
    if role.formats and role.formats != draft.formats:
        lines.append(f"date_formats = {_list(role.formats)}")
    if role.field in OPTIONAL:
        lines.append("optional = true")
    return lines


def _text(text: str) -> str:
    """A TOML basic string: the escapes of JSON, and the delete sign, which JSON leaves bare."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _key(word: str) -> str:
    return word if word and set(word) <= _PLAIN_KEY else _text(word)


def _list(words: Sequence[str]) -> str:
    return "[" + ", ".join(_text(word) for word in words) + "]"


def _comment(text: str) -> str:
    line = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    return line if len(line) <= 300 else line[:299] + "…"
