"""A language that puts every message in brackets: what stands outside them is data, or was forgotten."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from gettext import NullTranslations

from wearlab import language

#: dates are the locale's, not messages
_DATE = re.compile(r"(?:\d{1,2} )?[A-Z][a-z]+ \d{4}")
_INNER = re.compile("⟦[^⟦⟧]*⟧")
_WORD = re.compile(r"[^\W\d_]{2,}")


class _Brackets(NullTranslations):
    def gettext(self, message: str) -> str:
        return f"⟦{message}⟧"

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        return f"⟦{msgid1 if n == 1 else msgid2}⟧"


@contextmanager
def brackets() -> Iterator[None]:
    """Speak the language of brackets for a while."""
    english = language.language()
    token = language._SPOKEN.set(language.Language("xx", "en_GB", _Brackets(), english.signs, "en_GB"))
    try:
        yield
    finally:
        language._SPOKEN.reset(token)


def untold(texts: Iterable[str], data: Iterable[str]) -> set[str]:
    """Return the words outside all brackets that are not of `data` (names, units, protocols, as they are given)."""
    known = {word for text in data for word in _WORD.findall(text)}
    found: set[str] = set()
    for text in texts:
        left, before = text, ""
        while left != before:
            left, before = _INNER.sub(" ", left), left
        # a text cut short has lost the end of its brackets
        found |= set(_WORD.findall(_DATE.sub(" ", left.partition("⟦")[0])))
    return found - known
