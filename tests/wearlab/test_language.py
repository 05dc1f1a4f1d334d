"""Numbers and dates as a locale writes them, plural forms, and that a language holds no longer than it is spoken.

Forms of numbers and dates are those of the Unicode CLDR, common/main/LOCALE.xml (symbols of the Latin digits, the long
date, the skeleton yMMMM, the stand-alone month); plural forms those of its common/supplemental/plurals.xml.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pytest
from markupsafe import Markup

from wearlab import language
from wearlab.errors import ConfigError
from wearlab.language import (
    _,
    _h,
    _n,
    day,
    languages,
    listed,
    localised,
    month,
    month_name,
    number,
    percent,
    speak,
    speaking,
    spoken,
)

_HEAD = """msgid ""
msgstr ""
"Content-Type: text/plain; charset=utf-8\\n"
"Plural-Forms: {forms}\\n"
"""

_GERMAN = """
msgid "{number}%"
msgstr "{number} %"

msgid "{vehicle} is past its limit."
msgstr "{vehicle} hat den Grenzwert überschritten."

msgid "{first} and {last}"
msgstr "{first} und {last}"

msgid "<b>{name}</b> waits"
msgstr "<b>{name}</b> wartet"

msgid "{n} part of {vehicle}"
msgid_plural "{n} parts of {vehicle}"
msgstr[0] "{n} Teil von {vehicle}"
msgstr[1] "{n} Teile von {vehicle}"
"""

_POLISH = """
msgid "{n} part"
msgid_plural "{n} parts"
msgstr[0] "{n} część"
msgstr[1] "{n} części"
msgstr[2] "{n} cz."
"""

# the three forms of Polish: 1; 2 to 4 but not 12 to 14; all others
_POLISH_FORMS = "nplurals=3; plural=(n==1 ? 0 : n%10>=2 && n%10<=4 && (n%100<12 || n%100>14) ? 1 : 2);"


@pytest.fixture
def catalogues(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """German and Polish with a few sentences of their own, in place of the catalogues there are."""
    for name, forms, text in (
        ("de", "nplurals=2; plural=(n != 1);", _GERMAN),
        ("pl", _POLISH_FORMS, _POLISH),
    ):
        (tmp_path / f"{name}.po").write_text(_HEAD.replace("{forms}", forms) + text, encoding="utf-8")
    monkeypatch.setattr(language, "resources", SimpleNamespace(files=lambda package: tmp_path))
    language.language.cache_clear()
    yield
    language.language.cache_clear()


@pytest.mark.parametrize(
    ("locale", "large", "small", "change"),
    [
        ("en_GB", "1,234,567.89", "0.05", "+1,200.5"),
        ("de_DE", "1.234.567,89", "0,05", "+1.200,5"),
        ("de_CH", "1’234’567.89", "0.05", "+1’200.5"),
        ("en_ZA", "1\u00a0234\u00a0567,89", "0,05", "+1\u00a0200,5"),
        # CLDR has the narrow space U+202F, for which the ordinary one that holds figures together is written
        ("fr_FR", "1\u00a0234\u00a0567,89", "0,05", "+1\u00a0200,5"),
    ],
)
def test_numbers_are_written_as_the_locale_writes_them(locale: str, large: str, small: str, change: str) -> None:
    with speaking("en", locale):
        assert number(1_234_567.891, 2) == large
        assert number(0.05, 2) == small
        assert number(1200.5, 1, sign=True) == change
        assert localised("1,234,567.89") == large
        assert number(12) == "12"
    assert number(-1234.5, 1) == "-1,234.5"


@pytest.mark.parametrize(
    ("name", "locale", "told", "months"),
    [
        ("en", None, "3 May 2027", ("May 2027", "May")),
        ("en", "en_GB", "3 May 2027", ("May 2027", "May")),
        ("en", "en_ZA", "03 May 2027", ("May 2027", "May")),
        ("en", "en_US", "May 3, 2027", ("May 2027", "May")),
        ("de", None, "3. Mai 2027", ("Mai 2027", "Mai")),
        ("de", "de_DE", "3. Mai 2027", ("Mai 2027", "Mai")),
        ("de", "de_CH", "3. Mai 2027", ("Mai 2027", "Mai")),
        # within a date the month has another case than alone
        ("pl", None, "3 maja 2027", ("maj 2027", "maj")),
        # figures may be those of another country, the months are those of the sentences they stand in
        ("en", "de_DE", "3 May 2027", ("May 2027", "May")),
        ("de", "en_ZA", "3. Mai 2027", ("Mai 2027", "Mai")),
    ],
)
@pytest.mark.usefixtures("catalogues")
def test_dates_are_those_of_the_language(name: str, locale: str | None, told: str, months: tuple[str, str]) -> None:
    with speaking(name, locale):
        assert day(date(2027, 5, 3)) == told
        assert (month(date(2027, 5, 3)), month_name(date(2027, 5, 3))) == months


def test_the_twelve_months_of_english() -> None:
    names = (
        "January", "February", "March", "April", "May", "June",
        "July", "August", "September", "October", "November", "December",
    )  # fmt: skip
    assert [month_name(date(2026, number, 1)) for number in range(1, 13)] == list(names)
    assert [month(date(2026, number, 1)) for number in range(1, 13)] == [f"{name} 2026" for name in names]


@pytest.mark.usefixtures("catalogues")
def test_sentences_are_told_in_the_language_that_is_spoken() -> None:
    assert languages() == ("en", "de", "pl")
    told = "{vehicle} is past its limit."
    with speaking("de"):
        assert _(told, vehicle="K07") == "K07 hat den Grenzwert überschritten."
        assert percent(0.125, 1) == "12,5 %"
        assert listed(("1", "2", "4")) == "1, 2 und 4"
        assert _("a sentence that nobody said in German") == "a sentence that nobody said in German"
    assert _(told, vehicle="K07") == "K07 is past its limit."
    assert percent(0.125, 1) == "12.5%"
    assert [listed(texts) for texts in ((), ("1",), ("1", "2"), ("1", "2", "4"))] == ["", "1", "1 and 2", "1, 2 and 4"]


def test_places_are_filled_and_braces_without_places_are_text() -> None:
    assert _("a set {1, 2}") == "a set {1, 2}"
    # what fills a place is not read for places of its own
    assert _("{name} waits", name="{K07} {0}") == "{K07} {0} waits"
    with pytest.raises(KeyError):
        _("{vehicle} waits", name="K07")


@pytest.mark.usefixtures("catalogues")
def test_a_count_has_the_form_of_its_language() -> None:
    one, many = "{n} part of {vehicle}", "{n} parts of {vehicle}"
    assert [_n(one, many, count, vehicle="K07") for count in (0, 1, 2, 1200)] == [
        "0 parts of K07", "1 part of K07", "2 parts of K07", "1,200 parts of K07",
    ]  # fmt: skip
    with speaking("de"):
        assert [_n(one, many, count, vehicle="K07") for count in (0, 1, 1200)] == [
            "0 Teile von K07", "1 Teil von K07", "1.200 Teile von K07",
        ]  # fmt: skip
    with speaking("pl"):
        assert [_n("{n} part", "{n} parts", count) for count in (1, 2, 5, 12, 22, 0)] == [
            "1 część", "2 części", "5 cz.", "12 cz.", "22 części", "0 cz.",
        ]  # fmt: skip


@pytest.mark.usefixtures("catalogues")
def test_what_fills_a_message_with_markup_is_shown_as_text() -> None:
    hostile = "<script>alert(1)</script> & {name}"
    shown = "&lt;script&gt;alert(1)&lt;/script&gt; &amp; {name}"
    assert _h("<b>{name}</b> waits", name=hostile) == f"<b>{shown}</b> waits"
    with speaking("de"):
        told = _h("<b>{name}</b> waits", name=hostile)
        assert told == f"<b>{shown}</b> wartet"
    assert isinstance(told, Markup)
    assert _h("<b>{name}</b> waits", name=Markup("<i>K07</i>")) == "<b><i>K07</i></b> waits"


@pytest.mark.parametrize("name", ["xx", "", "../de", "de_CH"])
def test_an_unknown_language_is_refused(name: str) -> None:
    with pytest.raises(ConfigError, match=r"there is no language .*: it is one of en"):
        speak(name)
    assert spoken().name == "en"


@pytest.mark.parametrize("locale", ["xx_YY", "german", "de_", "de-CH-1996-x"])
def test_an_unknown_locale_is_refused(locale: str) -> None:
    with pytest.raises(ConfigError, match=r'there is no locale .*: write it like "en_GB"'):
        speak("en", locale)
    assert spoken().locale == "en_GB"


@pytest.mark.usefixtures("catalogues")
def test_a_language_is_spoken_for_a_while_and_then_the_one_before() -> None:
    def broken() -> None:
        with speaking("de"):
            raise RuntimeError

    with speaking("pl") as outer:
        assert outer is spoken()
        with speaking("de", "de_CH"):
            assert (spoken().name, spoken().locale) == ("de", "de_CH")
        assert spoken() is outer
        with pytest.raises(RuntimeError):
            broken()
        assert spoken() is outer
    assert spoken().name == "en"
    speak("de")
    try:
        assert spoken().name == "de"
    finally:
        speak()
    assert (spoken().name, spoken().locale, number(1234.5, 1)) == ("en", "en_GB", "1,234.5")
