"""Layouts proposed in the course of a load: for sheets that no known layout fits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Protocol

from pipelines.sheets.asked import header_mark, layout_question, with_answers
from pipelines.sheets.layout import Layout
from pipelines.sheets.match import find_layout
from pipelines.sheets.propose import Proposal, propose
from pipelines.sheets.questions import Question
from pipelines.sheets.raw import RawFile, RawSheet
from pipelines.sheets.stored import Fitted
from wearlab.config import Settings

_ROUNDS_MOST = 50


class SaveLayout(Protocol):
    """Keeps the text of a layout and returns where; `finished` False: with open questions, not to be read."""

    def __call__(self, name: str, toml: str, *, finished: bool) -> str: ...


@dataclass(frozen=True, slots=True)
class Unanswered:
    """A sheet with questions that keep its file out: the proposal so far, the questions, useless answers."""

    proposal: Proposal
    questions: tuple[Question, ...]
    useless: tuple[str, ...]


@dataclass(slots=True)
class Fitting:
    """The sheets of a file with their layouts, and what stands in the way.

    `reason` : why no layout could be proposed, where no sheet has one.
    """

    raw: RawFile
    sheets: list[Fitted]
    unanswered: list[Unanswered] = field(default_factory=list)
    reason: str | None = None

    @property
    def fits(self) -> bool:
        """Whether any sheet has a layout."""
        return any(one.match is not None for one in self.sheets)


@dataclass(slots=True)
class Proposer:
    """Proposes layouts and remembers those that no file was stored with yet.

    `layouts` : known and proposed ones, in use for the next file; `made` : text and notes of proposed ones by name;
    `unsaved` : names of those that are not written yet; `said` : answers by question id.
    """

    settings: Settings
    layouts: list[Layout]
    as_of: date
    said: dict[str, str]
    made: dict[str, Proposal] = field(default_factory=dict)
    unsaved: set[str] = field(default_factory=set)

    def fill(self, fitting: Fitting) -> None:
        """Propose a layout for every sheet of a file that has none yet."""
        only = any(one.match is not None and one.match.layout.file.sheet is not None for one in fitting.sheets)
        if only:
            return
        unclear: list[Unanswered] = []
        reasons: list[str] = []
        for place, one in enumerate(fitting.sheets):
            if one.match is not None or not any(cell.strip() for row in one.sheet.rows for cell in row):
                continue
            match = find_layout(one.sheet, self.layouts)
            if match is None:
                proposal, questions, useless = self._propose(one.sheet, fitting.raw)
                if proposal.layout is not None:
                    match = find_layout(one.sheet, [with_answers(proposal.layout, self.said)])
                if match is not None:
                    self.layouts.append(match.layout)
                    self.made[match.layout.name] = proposal
                    self.unsaved.add(match.layout.name)
                elif proposal.blocking:
                    asked = Unanswered(proposal, questions, useless)
                    (fitting.unanswered if proposal.toml else unclear).append(asked)
                else:
                    reasons.append(str(proposal.reason))
            fitting.sheets[place] = Fitted(one.sheet, match)
        if not fitting.fits and not fitting.unanswered:
            fitting.unanswered = unclear
            fitting.reason = reasons[0] if reasons else "no sheet of it holds anything"

    def _propose(self, sheet: RawSheet, raw: RawFile) -> tuple[Proposal, tuple[Question, ...], tuple[str, ...]]:
        """Propose with every remembered answer; an answer can bring up another question, so in rounds."""
        given: dict[str, str] = {}
        for _ in range(_ROUNDS_MOST):
            made = propose(sheet, self.settings, self.layouts, source=raw, answers=given, as_of=self.as_of)
            mark = header_mark(made.names)
            more = {
                one.key: answer
                for one in made.questions
                if one.key not in given
                and (answer := self.said.get(layout_question(mark, one.key, "").question_id)) is not None
            }
            if not more:
                break
            given |= more
        questions = tuple(layout_question(mark, one.key, f"{raw.name}: {one.with_answers}") for one in made.blocking)
        useless = tuple(
            f'"{given[one.key]}" is no answer to: {one.sentence}' for one in made.blocking if one.key in given
        )
        return made, questions, useless


def told_columns(layout: Layout) -> str:
    """Return what a layout takes each column for, as one line."""
    parts: list[str] = []
    for column in layout.columns:
        if column.field == "ignore":
            continue
        measure = column.measure.value if column.measure is not None else "reading"
        name = f"{measure} {column.position or ''}".strip() if column.field in ("reading", "value") else column.field
        parts.append(f'"{column.header}" = {name}' + (f" in {column.unit}" if column.unit else ""))
    unused = [f'"{column.header}"' for column in layout.columns if column.field == "ignore"]
    return ", ".join(parts) + (f"; not used: {', '.join(unused)}" if unused else "")


def with_ids(proposal: Proposal, questions: Sequence[Question]) -> str:
    """Return the text of an unfinished proposal, headed by what answers each open question."""
    lines = ["# This proposal is no layout yet. Answer its questions with", "#"]
    lines += [f"#   wearlab settle {one.question_id} ANSWER" for one in questions]
    lines += [
        "#",
        "# and load the sheet again; or correct the text below, take the line that begins with open out,",
        "# and move the file up into the folder layouts.",
        "",
    ]
    return "\n".join(lines) + "\n" + proposal.toml
