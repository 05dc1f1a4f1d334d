"""What `wearlab.toml` may say about the language of reports and how numbers and dates are written."""

from __future__ import annotations

from pydantic import Field, model_validator

from wearlab.errors import ConfigError
from wearlab.language import ENGLISH, language
from wearlab.strict_settings import Strict


class Words(Strict):
    """Language of the sentences; dates and decimals as the language's readers write them, or as in a locale."""

    language: str = ENGLISH
    """of sentences and pages"""
    locale: str | None = Field(default=None, description='such as "de_CH" or "en_ZA"')

    @model_validator(mode="after")
    def _there(self) -> Words:
        try:
            language(self.language, self.locale)
        except ConfigError as fault:
            raise ValueError(str(fault)) from None
        return self
