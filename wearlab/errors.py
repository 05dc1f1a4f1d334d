"""The errors wearlab raises, each one sentence: what, where, what was expected, what to do."""

from __future__ import annotations

#: Longest sentence, in signs; what a file put into it may be longer.
LONGEST = 1_500


def one_line(text: str, most: int = LONGEST) -> str:
    """Return a text as one line that any screen and store can hold, whatever signs a foreign file put into it.

    Of one that is too long the middle is left out: its beginning says where, its end what to do.
    """
    if len(text) > most:
        text = f"{text[: most - most // 3 - 5]} ... {text[len(text) - most // 3 :]}"
    if text.isprintable():
        return text
    return "".join(sign if sign.isprintable() else " " if sign.isspace() else "?" for sign in text)


class WearlabError(Exception):
    """Base of every error that is meant for a person; its text is one finished sentence in one line."""

    def __init__(self, sentence: str = "") -> None:
        super().__init__(one_line(sentence))


class ConfigError(WearlabError):
    """`wearlab.toml` or a layout cannot be used as it is written."""


class SheetError(WearlabError):
    """A file cannot be read as a test sheet; nothing of it was stored."""


class StoreError(WearlabError):
    """The workspace database cannot be opened or does not hold what it should."""


class StoreLocked(StoreError):
    """Another process holds the database open."""


class UnknownName(WearlabError):
    """A vehicle, part, family or file was named that the workspace does not know."""


class UnitError(WearlabError):
    """A unit is unknown, or belongs to another quantity than the one asked for."""


class InputError(WearlabError):
    """Arrays or options handed to the analysis do not fit together."""
