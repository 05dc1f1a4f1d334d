"""Keys of vehicles that differ only by lost zeros: asked about once over all files, whichever order they came in."""

from __future__ import annotations

from pipelines.sheets.known import known_vehicles, zero_pairs
from pipelines.sheets.questions import Question, question_frame
from wearlab.config import Settings
from wearlab.store.database import Database

#: Kind of the question; its subject is the shorter key. Rows ask about registered vehicles under the same kind.
_KIND = "alias"
_END = "with a lost zero?"


def ask_names(database: Database, settings: Settings) -> dict[int, list[Question]]:
    """Ask anew about every pair of unregistered keys; return the questions by the file they stand with.

    A question stands with the file of the lowest content hash that has the shorter key. Call it inside a transaction.
    """
    database.run("DELETE FROM question WHERE kind = ? AND ends_with(sentence, ?)", [_KIND, _END])
    known = known_vehicles(database, settings)
    asked: dict[int, list[Question]] = {}
    for shorter, longer in zero_pairs(known.seen, known):
        if known.reply(_KIND, shorter) is not None:
            continue
        file_id = database.value(
            "SELECT file_id FROM touched JOIN source_file USING (file_id) WHERE vehicle = ? ORDER BY sha256 LIMIT 1",
            [shorter],
        )
        if file_id is not None:
            question = Question(_KIND, shorter, f"Is {shorter} the vehicle {longer}, {_END}", 0)
            asked.setdefault(int(file_id), []).append(question)
    for number, questions in asked.items():
        database.append("question", question_frame(questions, number))
    return asked
