"""A layout proposed for an unknown sheet, with its proofs and with what could not be decided."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import PurePath

from pipelines.sheets.fields import DATES
from pipelines.sheets.layout import Layout, parse_layout
from pipelines.sheets.match import counted, find_layout
from pipelines.sheets.propose_cells import CUT, SAMPLED_ROWS, columns_of, is_date
from pipelines.sheets.propose_context import ask_context, measures_of
from pipelines.sheets.propose_forms import find_forms
from pipelines.sheets.propose_kind import candidate, kind_of
from pipelines.sheets.propose_legend import read_legends
from pipelines.sheets.propose_question import LayoutQuestion, listed
from pipelines.sheets.propose_readings import long_position
from pipelines.sheets.propose_role import Roles
from pipelines.sheets.propose_roles import assign
from pipelines.sheets.propose_rows import MOST_COLUMNS, HeaderRow, find_header, width_of
from pipelines.sheets.propose_text import Draft, Unused, write
from pipelines.sheets.propose_titles import read_titles
from pipelines.sheets.propose_units import find_units
from pipelines.sheets.propose_words import lexicon
from pipelines.sheets.propose_words_used import find_words
from pipelines.sheets.raw import RawFile, RawSheet
from wearlab.config import Settings
from wearlab.errors import ConfigError, SheetError

_LINES_MOST = 10
KINDS = ("tests", "vehicles", "events", "odometer", "visits", "stock", "rigs")


@dataclass(frozen=True, slots=True)
class Proposal:
    """What a sheet seems to be.

    Attributes
    ----------
    layout:
        The layout, ready for use; None while a blocking question is open or when nothing could be proposed.
    toml:
        The same as text with the proofs as comments; with open questions it holds a key `open`, so that no
        reader takes it for finished. "" when nothing could be proposed.
    kind, wide, header_row:
        Kind of sheet, whether one row holds several readings, true number of the header's first row; None unknown.
    names:
        The headers, as the sheet has them; rows of a header joined.
    questions:
        All open questions, the blocking ones first; at most one of a kind for each column.
    notes:
        Sentences on what was found and on what a layout cannot say.
    reason:
        Why there is no layout, as one sentence; None when there is one.
    """

    layout: Layout | None
    toml: str
    kind: str | None
    wide: bool | None
    header_row: int | None
    names: tuple[str, ...]
    questions: tuple[LayoutQuestion, ...]
    notes: tuple[str, ...]
    reason: str | None

    @property
    def complete(self) -> bool:
        """Whether the layout can be used at once."""
        return self.layout is not None

    @property
    def blocking(self) -> tuple[LayoutQuestion, ...]:
        """The questions that keep the file from being loaded."""
        return tuple(question for question in self.questions if question.blocks)

    @property
    def context(self) -> tuple[LayoutQuestion, ...]:
        """The questions that do not."""
        return tuple(question for question in self.questions if not question.blocks)


def propose(
    raw: RawSheet,
    settings: Settings,
    layouts: Sequence[Layout] = (),
    *,
    source: RawFile | None = None,
    answers: Mapping[str, str] | None = None,
    as_of: date | None = None,
) -> Proposal:
    """Propose a layout for a sheet that no known layout fits. Never raises on what a sheet holds.

    Parameters
    ----------
    raw : the sheet.
    settings : the workspace's protocols and rigs, whose names a sheet may use.
    layouts : known layouts; the new one gets a name of its own and must not be mistaken for one of them.
    source : the file, for its name, encoding, delimiter and kind.
    answers : answers to questions of an earlier proposal of the same sheet, by their keys.
    as_of : dates after it rule an order of day and month out; None: today.
    """
    given = dict(answers or {})
    workbook = raw.sheet is not None if source is None else source.kind in ("xlsx", "xlsm", "ods")
    width = width_of(raw)
    if width == 0:
        return _none("the sheet holds nothing in its first rows: nothing can be proposed for it")
    if width > MOST_COLUMNS:
        return _none(
            f"the sheet has {width} columns, more than the {MOST_COLUMNS} that are looked at: "
            "write a layout for it or split it"
        )
    header = find_header(raw)
    if header is None:
        return _none("no row reads like a header: put one row of column names above the data, or write a layout for it")
    day = as_of or date.today()
    candidates = [
        candidate(column, one, settings, workbook=workbook)
        for column, one in zip(columns_of(raw, header.names, header.first), header.headers, strict=True)
    ]
    kind, why = kind_of(candidates, day)
    if given.get("kind") in KINDS:
        kind, why = given["kind"], "as answered"
    row = raw.row_number(header.index)
    if kind is None:
        sentence = f"What kind of sheet is this: {listed(KINDS)}?"
        question = LayoutQuestion("kind", "kind of sheet", "", sentence, KINDS, why, True)
        reason = f"the kind of sheet is not clear: {why}"
        return Proposal(None, "", None, None, row, tuple(header.names), (question,), (), reason)
    roles = assign(candidates, kind, given)
    titles = read_titles(raw, header.index, settings, _label(raw, source))
    draft = Draft(_name(raw, source, kind, layouts), kind, header.rows)
    if source is not None and source.encoding is not None:
        draft.encodings = tuple(dict.fromkeys(("utf-8", source.encoding)))
        draft.delimiter = source.delimiter
    if kind == "tests":
        measures_of(roles, draft, titles, given)
        long_position(roles, given)
    find_units(roles, titles.units, given)
    find_forms(roles, draft, kind, workbook=workbook, as_of=day, answers=given)
    find_words(roles, kind, given)
    ask_context(roles, draft, titles, settings, kind, given)
    legends = read_legends(raw, header.index, source, draft) if kind == "tests" else []
    draft.columns = roles.used
    draft.unused = _unused(header.names, roles)
    rows = [str(raw.row_number(header.index + step)) for step in range(header.rows)]
    notes = [f"header in row {' and '.join(rows)}"]
    notes.append(f"{kind}: {why}")
    notes += [*_proofs(roles, draft), *legends, *_lines_beside(raw, header)]
    notes += [f'column "{column.name}": {told}' for column, told in roles.unused if column.name or not column.empty]
    return _finished(raw, header, roles, draft, notes)


def _finished(raw: RawSheet, header: HeaderRow, roles: Roles, draft: Draft, notes: list[str]) -> Proposal:
    questions = _sorted(roles.questions)
    wide = sum(1 for role in roles.readings if role.position) > 1 if draft.kind == "tests" else None
    row, names = raw.row_number(header.index), tuple(header.names)
    text = write(draft, questions)
    if any(question.blocks for question in questions):
        first = next(question.sentence for question in questions if question.blocks)
        more = sum(question.blocks for question in questions) - 1
        reason = first + (f" (and {more} more question{'s' if more > 1 else ''})" if more else "")
        return Proposal(None, text, draft.kind, wide, row, names, questions, tuple(notes), reason)
    try:
        layout = parse_layout(text.encode("utf-8", "replace"), "the proposal")
        match = find_layout(raw, [layout])
    except (ConfigError, SheetError) as fault:
        return Proposal(None, text, draft.kind, wide, row, names, questions, tuple(notes), str(fault))
    if match is None or match.header != header.index:
        reason = "the header cannot be told from the lines around it: rename a column or write a layout for it"
        return Proposal(None, text, draft.kind, wide, row, names, questions, tuple(notes), reason)
    return Proposal(layout, text, draft.kind, wide, row, names, questions, tuple(notes), None)


def _proofs(roles: Roles, draft: Draft) -> list[str]:
    """Sentences on the order of dates and on the marks of numbers, with the rows that prove them."""
    found = [
        f'dates in "{role.column.name}": {role.why[-1]}' for role in roles.used if role.field in DATES and role.why
    ]
    if draft.decimal_proof:
        found.append(f'decimal mark "{draft.decimal}": {draft.decimal_proof}')
    return found


def _unused(names: list[str], roles: Roles) -> list[Unused]:
    """Every column that the layout leaves out, so that it fits no sheet with others; one without a name cannot be."""
    used = {role.column.index for role in roles.used}
    told = {column.index: why for column, why in roles.unused}
    return [
        Unused(names[index], nth, told.get(index, "no cell below it holds anything"))
        for index, (word, nth) in enumerate(counted(names))
        if word and index not in used
    ]


def _sorted(questions: list[LayoutQuestion]) -> tuple[LayoutQuestion, ...]:
    single: dict[str, LayoutQuestion] = {}
    for question in questions:
        single.setdefault(question.key, question)
    return tuple(sorted(single.values(), key=lambda question: not question.blocks))


def _none(reason: str) -> Proposal:
    return Proposal(None, "", None, None, None, (), (), (), reason)


def _lines_beside(raw: RawSheet, header: HeaderRow) -> list[str]:
    """Sentences on lines below the header that read like means, totals or footers."""
    known, notes = lexicon(), []
    for place in range(header.first, min(len(raw.rows), header.first + SAMPLED_ROWS)):
        told = [cell.strip()[:CUT] for cell in raw.rows[place] if cell.strip()]
        word = known.row(told[0]) if told else None
        if word is not None and not any(is_date(cell) for cell in told):
            notes.append(f'row {raw.row_number(place)} ("{told[0]}") reads like a line of the kind "{word}"')
            if len(notes) == _LINES_MOST:
                break
    return notes


def _label(raw: RawSheet, source: RawFile | None) -> str:
    parts = [raw.sheet or "", PurePath(source.name).stem.replace("_", " ") if source is not None else ""]
    return " ".join(part for part in parts if part)


def _name(raw: RawSheet, source: RawFile | None, kind: str, layouts: Sequence[Layout]) -> str:
    stem = PurePath(source.name).stem if source is not None else raw.sheet or kind
    cleaned = " ".join("".join(sign if sign.isprintable() else " " for sign in stem).split())[:80] or kind
    taken = {layout.name for layout in layouts}
    name, number = cleaned, 2
    while name in taken:
        name, number = f"{cleaned} {number}", number + 1
    return name
