"""The errors wearlab raises, each one sentence: what, where, what was expected, what to do."""

from __future__ import annotations


class WearlabError(Exception):
    """Base of every error that is meant for a person; its text is one finished sentence."""


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
