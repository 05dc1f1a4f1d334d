"""What a proposal could not decide: one question a column, with what was found and the possible answers."""

from __future__ import annotations

from dataclasses import dataclass

from wearlab.errors import one_line


@dataclass(frozen=True, slots=True)
class LayoutQuestion:
    """One question about a sheet's layout.

    Attributes
    ----------
    key:
        Names the question, the same whenever the same sheet is proposed again; an answer is given under it.
    kind:
        "column", "unit", "date order", "decimal mark", "kind of sheet" (these block), "driven", "protocol",
        "measure", "depot", "fluid ounce", "rise to", "words", "unknown column" (these do not).
    column:
        Header of the column asked about; "" for the whole sheet.
    sentence:
        The question in one sentence, with what was found.
    answers:
        The texts that `propose` takes as answer; empty where any text of the field will do.
    evidence:
        What speaks for and against, for a person.
    blocks:
        True where a value could be wrong, so that nothing may be loaded before it is answered.
    """

    key: str
    kind: str
    column: str
    sentence: str
    answers: tuple[str, ...] = ()
    evidence: str = ""
    blocks: bool = False

    @property
    def with_answers(self) -> str:
        """The question with the texts that answer it, unless it lists them itself."""
        shown = listed(self.answers, most=12)
        return one_line(self.sentence if shown in self.sentence else f"{self.sentence} Answer {shown}.")


def listed(words: list[str] | tuple[str, ...], most: int = 6, joint: str = "or") -> str:
    """Return quoted words as a phrase: "a", "b" or "c"."""
    shown = [f'"{word}"' for word in words[:most]]
    if len(words) > most:
        shown.append(f"{len(words) - most} more")
    if len(shown) < 2:
        return "".join(shown)
    return f"{', '.join(shown[:-1])} {joint} {shown[-1]}"
