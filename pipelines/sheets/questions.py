"""Questions about context: one per vehicle or column of a file, never one per row."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from wearlab.errors import one_line


@dataclass(frozen=True, slots=True)
class Question:
    """One question; `readings` wait for its answer and stay out of models until then."""

    kind: str
    subject: str
    sentence: str
    readings: int

    def __post_init__(self) -> None:
        """A question quotes headers and cells, which may hold signs that do not print."""
        object.__setattr__(self, "sentence", one_line(self.sentence))

    @property
    def question_id(self) -> str:
        """The same for the same kind and subject in every file, so that one answer serves them all."""
        return hashlib.sha1(f"{self.kind}|{self.subject}".encode(), usedforsecurity=False).hexdigest()[:16]


def merged(questions: Iterable[Question]) -> list[Question]:
    """Join the questions of several sheets of one file: one for each kind and subject."""
    found: dict[tuple[str, str], Question] = {}
    for one in questions:
        key = (one.kind, one.subject)
        before = found.get(key)
        total = one.readings + (before.readings if before else 0)
        found[key] = Question(one.kind, one.subject, one.sentence, total)
    return list(found.values())


def question_frame(questions: list[Question], file_id: int) -> pd.DataFrame:
    """Return the questions as rows of the store."""
    return pd.DataFrame(
        {
            "question_id": [one.question_id for one in questions],
            "file_id": [file_id] * len(questions),
            "kind": [one.kind for one in questions],
            "subject": [one.subject for one in questions],
            "sentence": [one.sentence for one in questions],
            "readings": [one.readings for one in questions],
        }
    )
