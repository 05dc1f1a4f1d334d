"""The language that sentences are told in, and how its readers write numbers and dates: English unless told otherwise.

Every sentence stands in the code in English, with its places in braces, inside `_` (or `_n` where a count decides).
Another language is one file, `wearlab/words/LANGUAGE.po`, that says each of them in its own way; a sentence it does not
have stays English. Language and locale hold for the whole process: a command speaks as its workspace is set.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from gettext import GNUTranslations, NullTranslations
from importlib import resources
from io import BytesIO

from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_skeleton
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from markupsafe import Markup

from wearlab.errors import ConfigError

ENGLISH = "en"

#: the locale whose dates and decimals a language uses where none is set
_LOCALES = {ENGLISH: "en_GB", "de": "de_DE"}


@dataclass(frozen=True, slots=True)
class Language:
    """A language: its messages, and the locale of its numbers and dates."""

    name: str
    locale: str
    messages: NullTranslations
    #: what "," and "." of English are in the locale
    signs: dict[int, str]
    #: of the same language as the sentences, so that no foreign month stands in them
    dates: str


def languages() -> tuple[str, ...]:
    """Return the languages there are, English first."""
    found = (entry.name for entry in resources.files("wearlab.words").iterdir())
    return (ENGLISH, *sorted(name.removesuffix(".po") for name in found if name.endswith(".po")))


@lru_cache
def language(name: str = ENGLISH, locale: str | None = None) -> Language:
    """Return a language by its name ("de") with the dates and decimals of a locale ("de_CH").

    Raises
    ------
    ConfigError
        There is no such language or locale.
    """
    if name not in languages():
        raise ConfigError(f'there is no language "{name}": it is one of {", ".join(languages())}')
    tag = locale or _LOCALES.get(name, name)
    try:
        found = Locale.parse(tag)
    except (UnknownLocaleError, ValueError):
        raise ConfigError(f'there is no locale "{tag}": write it like "en_GB" or "de_CH"') from None
    symbols = found.number_symbols["latn"]
    # a narrow space that holds the figures together is drawn by every font as the ordinary one
    group = symbols["group"].replace("\u202f", "\u00a0")
    dates = tag if found.language == name else _LOCALES.get(name, name)
    signs = str.maketrans({",": group, ".": symbols["decimal"]})
    return Language(name, tag, _messages(name), signs, dates)


def _messages(name: str) -> NullTranslations:
    if name == ENGLISH:
        return NullTranslations()
    compiled = BytesIO()
    with resources.files("wearlab.words").joinpath(f"{name}.po").open("rb") as file:
        write_mo(compiled, read_po(file, locale=name))
    compiled.seek(0)
    return GNUTranslations(compiled)


_SPOKEN: ContextVar[Language | None] = ContextVar("spoken", default=None)


def spoken() -> Language:
    """Return the language that is spoken now."""
    return _SPOKEN.get() or language()


def speak(name: str = ENGLISH, locale: str | None = None) -> None:
    """Speak a language from now on, in this process; errors as `language`."""
    _SPOKEN.set(language(name, locale))


@contextmanager
def speaking(name: str = ENGLISH, locale: str | None = None) -> Iterator[Language]:
    """Speak a language for a while; errors as `language`."""
    token = _SPOKEN.set(language(name, locale))
    try:
        yield spoken()
    finally:
        _SPOKEN.reset(token)


def msg(message: str) -> str:
    """Return a message as it is: it is in the catalogue, and translated with `_` where it is told."""
    return message


def _(message: str, /, **places: object) -> str:
    """Return a message in the spoken language, its places filled; without places, braces are text."""
    # the catalogue keeps its own description under the empty message
    text = spoken().messages.gettext(message) if message else ""
    return text.format(**places) if places else text


def _n(one: str, many: str, count: int, /, **places: object) -> str:
    """Return the form of a message that goes with a count, which fills the place {n} as a whole number."""
    return spoken().messages.ngettext(one, many, count).format(n=number(count), **places)


def _h(message: str, /, **places: object) -> Markup:
    """Return a message with markup of its own; what fills its places is shown as text."""
    return Markup(spoken().messages.gettext(message)).format(**places)


def number(value: float, decimals: int = 0, *, sign: bool = False) -> str:
    """Return a number with thousands marked and so many decimals; `sign` shows a plus as well."""
    text = f"{value:+,.{decimals}f}" if sign else f"{value:,.{decimals}f}"
    return localised(text)


def percent(share: float, decimals: int = 0) -> str:
    """Return a share of one as "12%"."""
    return _("{number}%", number=number(100 * share, decimals))


def localised(figures: str) -> str:
    """Return figures that Python wrote ("1,234.5") as the locale writes them; nothing but figures may stand in it."""
    return figures.translate(spoken().signs)


def day(value: date) -> str:
    """Return "3 May 2027"."""
    return _day(value, spoken().dates)


@lru_cache(maxsize=8192)
def _day(value: date, locale: str) -> str:
    # a pack tells the same days thousands of times
    return format_date(value, "long", locale=locale)


def month(value: date) -> str:
    """Return "May 2027"."""
    return format_skeleton("yMMMM", value, locale=spoken().dates)


def month_name(value: date) -> str:
    """Return "May"."""
    return format_date(value, "LLLL", locale=spoken().dates)


def listed(texts: Sequence[str]) -> str:
    """Return "a", "a and b", "a, b and c"."""
    if len(texts) < 2:
        return "".join(texts)
    return _("{first} and {last}", first=", ".join(texts[:-1]), last=texts[-1])
