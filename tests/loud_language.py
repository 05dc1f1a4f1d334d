"""A language in capitals: whatever a reader is told in small letters was never looked up."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from gettext import NullTranslations

from wearlab import language
from wearlab.language import Language

#: what is no word of a language: units, and months as the locale writes them
_KEPT = re.compile(
    r"\b(?:km|h|sd|ml/min|bar|rpm|s|mm3|degC|Januar|Februar|März|April|Mai|Juni|Juli|August|September|Oktober|"
    r"November|Dezember)\b"
)


class _Loud(NullTranslations):
    """Every message in capitals, its places as they are."""

    def gettext(self, message: str) -> str:
        return re.sub(r"(\{[^}]*\})|([^{]+)", lambda found: found[1] or found[2].upper(), message)

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        return self.gettext(msgid1 if n == 1 else msgid2)


@contextmanager
def loud() -> Iterator[None]:
    """Speak in capitals for a while, with the decimals and dates of German."""
    signs = {ord(","): ".", ord("."): ","}
    token = language._SPOKEN.set(Language("loud", "de_DE", _Loud(), signs, "de_DE"))
    try:
        yield
    finally:
        language._SPOKEN.reset(token)


def quiet_words(text: str) -> list[str]:
    """Return the words of a text that no message brought: those with small letters, units and months aside."""
    return re.findall(r"[A-Za-zäöü]*[a-zäöü][a-zäöü]+", _KEPT.sub("", text))
