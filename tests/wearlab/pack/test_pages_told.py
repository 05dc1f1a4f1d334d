"""The pages in another language: each place takes it from the sheet or the process, none keeps one it spoke before."""

from __future__ import annotations

from dataclasses import replace
from gettext import NullTranslations

import pytest

from page_reader import Page
from wearlab import language
from wearlab.language import Language, speaking
from wearlab.pack.environment import SHOWN
from wearlab.pack.pack_view import PackView
from wearlab.pack.pages import about_html, first_html, fleet_html, vehicle_html
from wearlab.records import State


class Loud(NullTranslations):
    """English in capitals, places left alone: what is not told through the catalogue stays small."""

    def gettext(self, message: str) -> str:
        """Capitals outside braces and tags."""
        told, depth = [], 0
        for sign in message:
            depth += (sign in "{<") - (sign in "}>")
            told.append(sign if depth else sign.upper())
        return "".join(told)

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        """The form of the count, in capitals."""
        return self.gettext(msgid1 if n == 1 else msgid2)


@pytest.fixture
def loud(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make a language "en" of another file that shouts."""

    def made(name: str = "en", locale: str | None = None) -> Language:
        plain = plain_language(name if name != "loud" else "en", "en_GB")
        return replace(plain, name=name, messages=Loud()) if name == "loud" else plain

    plain_language = language.language
    monkeypatch.setattr(language, "language", made)


def test_numbers_of_a_vehicle_follow_the_locale_of_its_sheet(view: PackView) -> None:
    # a process that draws speaks English as this one does, and takes the language from the sheet
    vehicle = replace(view.month.vehicles[0], km_per_day=1234.0)
    with speaking("en", "de_DE"):
        sheet = view.sheet(vehicle)
    german = vehicle_html(sheet)
    english = vehicle_html(view.sheet(vehicle))
    assert (sheet.head.language, sheet.head.locale) == ("en", "de_DE")
    assert '<html lang="en">' in german
    assert "1.234 km" in german
    assert "1,234 km" not in german
    assert "1,234 km" in english
    # and the process speaks as it did before
    assert vehicle_html(view.sheet(vehicle)) == english


@pytest.mark.usefixtures("loud")
def test_every_text_of_the_templates_is_told_in_the_language(view: PackView) -> None:
    with speaking("loud"):
        names = {"K01": "vehicles/K01.html"}
        made = [first_html(view, names), fleet_html(view, names), about_html(view, names)]
        made.append(vehicle_html(view.sheet(view.month.vehicles[1])))
    for html in made:
        assert '<html lang="loud">' in html
        text = Page(html).words
        for word in ("AS KNOWN ON", "FIRST PAGE", "SKIP TO THE CONTENT"):
            assert word in text
        for english in (
            "Skip to", "What to", "Test by", "Last test", "Levels and", "Visits, and", "Check first",
            "Verdict by", "Parts fitted", "Rows read", "Limits in", "stands on the page", "still fitted", "Only rows",
        ):  # fmt: skip
            assert english not in text, english
        for state in State:
            assert f"</i> {state.value}</b>" not in html, state
    assert "PAST LIMIT</b>" in made[0] + made[1]
    assert 'data-filter="ONLY ROWS WITH" data-found="# OF #"' in made[1]
    assert len(SHOWN) == len(set(SHOWN))
