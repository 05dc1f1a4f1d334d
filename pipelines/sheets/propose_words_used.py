"""Words in cells as a layout's `words`: every text that the loader would not understand by itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from pipelines.sheets.packed import unpack
from pipelines.sheets.propose_cells import driven_word, measure_word, packed_word, position_word, work_word
from pipelines.sheets.propose_question import LayoutQuestion, listed
from pipelines.sheets.propose_role import Role, Roles
from pipelines.sheets.propose_words import lexicon, unit_of
from pipelines.sheets.words import driven_of, fold, measure_of, measured_unit, position_of
from wearlab.errors import UnitError
from wearlab.records import WorkKind

#: A column with more distinct words than this is no column of words.
MOST_WORDS = 200


def find_words(roles: Roles, kind: str, answers: Mapping[str, str]) -> None:
    """Fill `words` of every column of words, and ask once a column for those that no table knows.

    The answer "words:HEADER" is written "word = meaning; word = meaning".
    """
    for role in roles.used:
        texts = [text for text in role.column.told if text][:MOST_WORDS]
        role.words.update(_answered(answers.get(f"words:{role.column.name}", ""), texts))
        if role.field == "measure":
            _fill(role, texts, measure_word, lambda text: measure_of(text) is not None)
            _unknown(roles, role, texts, lambda text: measure_word(text) is None and not unpack(text).other, "measure")
        elif role.field == "driven":
            _fill(role, texts, driven_word, lambda text: driven_of(text) is not None)
            _unknown(roles, role, texts, lambda text: driven_word(text) is None, "way of driving")
        elif role.field in ("position", "position_to"):
            _fill(role, texts, position_word, lambda text: position_of(text) is not None)
        elif role.field == "unit":
            _fill(role, texts, unit_of, _is_unit)
        elif role.field == "what":
            _fill(role, texts, packed_word, lambda text: packed_word(text) is None)
        elif role.field == "kind" and kind == "events":
            _fill(role, texts, work_word, lambda text: text in {one.value for one in WorkKind})
            _unknown(roles, role, texts, lambda text: work_word(text) is None, "kind of work")
        elif role.field in ("origin", "reason"):
            _fill(role, texts, lambda text, name=role.field: lexicon().cell(name, text), lambda _: False)  # type: ignore[misc]


def _fill(role: Role, texts: list[str], meaning: Callable[[str], str | None], own: Callable[[str], bool]) -> None:
    known: dict[str, str] = {fold(word): word for word in role.words}
    for text in texts:
        said = None if own(text) else meaning(text)
        if said is not None and said != text and fold(text) and fold(text) not in known:
            known[fold(text)] = text
            role.words[text] = said


def _unknown(roles: Roles, role: Role, texts: list[str], unknown: Callable[[str], bool], what: str) -> None:
    found = [
        text for text in texts if fold(text) and unknown(text) and fold(text) not in {fold(word) for word in role.words}
    ]
    if found:
        name = role.column.name
        verb = "word means" if len(found) == 1 else "words mean"
        sentence = (
            f'Which {what} do {listed(found, joint="and")} mean in the column "{name}"?'
            if len(found) > 1
            else (f'Which {what} does {listed(found)} mean in the column "{name}"?')
        )
        evidence = f"no table says what the {verb}; rows with them are set aside or kept out of models"
        roles.questions.append(LayoutQuestion(f"words:{name}", "words", name, sentence, (), evidence))


def _is_unit(text: str) -> bool:
    try:
        measured_unit(text)
    except UnitError:
        return False
    return True


def _answered(answer: str, texts: list[str]) -> dict[str, str]:
    by_word = {fold(text): text for text in texts if fold(text)}
    found: dict[str, str] = {}
    for piece in answer.split(";"):
        word, sign, meaning = piece.rpartition("=")
        if sign and fold(word) in by_word:
            found[by_word[fold(word)]] = meaning.strip()
    return found
