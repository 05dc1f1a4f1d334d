"""A file read as the layout that fits it wants it read; where none fits, one is proposed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from pipelines.sheets.account import FileAccount
from pipelines.sheets.asked import KIND, REFUSED, header_mark, layout_mark
from pipelines.sheets.files import read_file
from pipelines.sheets.layout import Layout
from pipelines.sheets.match import find_layout
from pipelines.sheets.propose_rows import find_header
from pipelines.sheets.propose_words import accented
from pipelines.sheets.proposed import Fitting, Proposer, SaveLayout, told_columns, with_ids
from pipelines.sheets.questions import question_frame
from pipelines.sheets.raw import RawFile, RawSheet
from pipelines.sheets.stored import Fitted
from wearlab.errors import SheetError
from wearlab.store.database import Database

_ENCODINGS = ("utf-8", "cp1252")
_CODE_PAGES = ("cp1252", "cp1250", "cp1251")
_HEAD_ROWS = 200


def fit_file(path: Path, proposer: Proposer) -> Fitting:
    """Read a file and find or propose the layouts of its sheets.

    A first reading finds the layout; where that declares another encoding or delimiter, it is read again.

    Raises
    ------
    SheetError
        The file cannot be read, or two layouts fit equally well.
    """
    layouts = proposer.layouts
    raw = read_file(path)
    fitting = _fit(raw, layouts)
    if not fitting.fits and raw.kind == "csv":
        fitting = _otherwise(path, layouts) or _likeliest(path, fitting)
    match = next((one.match for one in fitting.sheets if one.match), None)
    rules = None if match is None else match.layout.file
    if match is not None and rules is not None and fitting.raw.kind == "csv":
        written = (fitting.raw.encoding or "").replace("_", "-")
        declared = rules.encodings and written not in _spelled(rules.encodings)
        if declared or (rules.delimiter is not None and rules.delimiter != fitting.raw.delimiter):
            fitting = _fit(
                read_file(path, encodings=rules.encodings or _ENCODINGS, delimiter=rules.delimiter), [match.layout]
            )
            if not fitting.fits:
                raise SheetError(
                    f'{path.name} fits the layout "{match.layout.name}" only with another encoding or '
                    "delimiter than it declares: correct the part [file] of the layout"
                )
    proposer.fill(fitting)
    return fitting


def _otherwise(path: Path, layouts: Sequence[Layout]) -> Fitting | None:
    """Read a text file as each layout says that its kind of file is written, until one fits."""
    tried: set[tuple[tuple[str, ...], str | None]] = {(_ENCODINGS, None)}
    for layout in layouts:
        wish = (layout.file.encodings or _ENCODINGS, layout.file.delimiter)
        if wish in tried:
            continue
        tried.add(wish)
        try:
            again = read_file(path, encodings=wish[0], delimiter=wish[1])
        except SheetError:
            continue
        found = _fit(again, [layout])
        if found.fits:
            return found
    return None


def _likeliest(path: Path, fitting: Fitting) -> Fitting:
    """Read a text file that is not Unicode in the code page in which it holds most known words.

    Several code pages fit such a file; the reader's notes name the others. Where nothing tells, the western one stays.
    """
    if fitting.raw.encoding != _CODE_PAGES[0] or not fitting.raw.sheets:
        return fitting
    rows = fitting.raw.sheets[0].rows[:_HEAD_ROWS]
    scores: dict[str, float] = {}
    for name in _CODE_PAGES:
        try:
            head = [[cell.encode(_CODE_PAGES[0]).decode(name) for cell in row] for row in rows]
        except UnicodeError:
            continue
        header = find_header(RawSheet(None, head))
        spelled = {word for row in head for cell in row for word in cell.casefold().split()} & accented()
        scores[name] = len(spelled) + (0.0 if header is None else header.score)
    best = max(scores, key=lambda name: scores[name], default=_CODE_PAGES[0])
    others = [name for name in _CODE_PAGES if name != best]
    return _fit(read_file(path, encodings=(best, *others)), [])


def _spelled(encodings: Sequence[str]) -> set[str]:
    return {name.lower().replace("_", "-") for name in encodings} | {
        f"{name.lower().replace('_', '-')}-sig" for name in encodings
    }


def _fit(raw: RawFile, layouts: Sequence[Layout]) -> Fitting:
    return Fitting(raw, [Fitted(sheet, find_layout(sheet, layouts)) for sheet in raw.sheets])


def keep_proposed(account: FileAccount, fitting: Fitting, proposer: Proposer, save: SaveLayout | None) -> FileAccount:
    """Write the proposed layouts that a file is stored with, and tell of them in its account."""
    lines: list[str] = []
    texts: list[str] = []
    for one in fitting.sheets:
        name = "" if one.match is None else one.match.layout.name
        if one.match is None or name not in proposer.unsaved:
            continue
        proposal = proposer.made[name]
        kept = ""
        if save is not None:
            kept = f", kept as {save(name, proposal.toml, finished=True)}"
            proposer.unsaved.discard(name)
        lines.append(f'layout "{name}" proposed{kept}: {told_columns(one.match.layout)}')
        lines += proposal.notes
        texts.append(proposal.toml)
    return replace(account, proposed=tuple(lines), proposal="\n".join(texts) or None)


def refused(fitting: Fitting, name: str, save: SaveLayout | None) -> FileAccount:
    """Return the account of a file that waits for answers; its proposal is written beside the layouts."""
    if not fitting.unanswered:
        reason = str(fitting.reason).rstrip(".")
        return FileAccount(
            name, "refused", sentence=f"{name} fits no layout of the workspace and none can be proposed: {reason}."
        )
    questions = tuple(question for one in fitting.unanswered for question in one.questions)
    lines: list[str] = []
    texts: list[str] = []
    where: list[str] = []
    for one in fitting.unanswered:
        lines += [*one.useless, *one.proposal.notes]
        if not one.proposal.toml:
            continue
        texts.append(with_ids(one.proposal, one.questions))
        if save is not None:
            where.append(save(fitting.raw.name, texts[-1], finished=False))
    kept = f" (proposal in {', '.join(where)})" if where else ""
    many = f"{len(questions)} questions" if len(questions) > 1 else "one question"
    sentence = f"{many} about the layout of {name} must be answered first{kept}: see wearlab settle, then load again."
    return FileAccount(
        name,
        "refused",
        questions=tuple(one.sentence for one in questions),
        sentence=sentence,
        question_ids=tuple(one.question_id for one in questions),
        proposal="\n".join(texts) or None,
        proposed=tuple(lines),
    )


def remember_refused(database: Database, fitting: Fitting) -> None:
    """Store the questions that keep a file out, and nothing else of it."""
    forget_refused(database, fitting)
    questions = [question for one in fitting.unanswered for question in one.questions]
    if questions:
        database.append("question", question_frame(questions, REFUSED))


def forget_refused(database: Database, fitting: Fitting) -> None:
    """Take out the questions of files with these headers that were refused before."""
    marks = {header_mark(one.proposal.names) for one in fitting.unanswered}
    for one in fitting.sheets:
        if one.match is not None:
            told = [mapped.name for mapped in one.match.columns] + [name for _, name in one.match.unmapped]
            marks |= {layout_mark(one.match.layout), header_mark(told)}
    for mark in sorted(marks):
        database.run(
            "DELETE FROM question WHERE file_id = ? AND kind = ? AND ends_with(subject, ?)",
            [REFUSED, KIND, f"({mark})"],
        )
