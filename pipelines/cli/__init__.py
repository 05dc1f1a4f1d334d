"""The commands of wearlab, in the order of the month."""

from pipelines.cli.main import main

__all__ = ["main"]
