"""Target: `wearlab.toml` and layouts, whose bytes a person or another program may have broken."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["wearlab", "pipelines", "tomllib"]):
    from pipelines.sheets.layout import parse_layout
    from wearlab.config import read_settings

from fuzz.harness import judged

FOLDER = Path(tempfile.mkdtemp(prefix="wearlab-fuzz-"))


def settings(data: bytes) -> None:
    """The first byte chooses: settings or a layout."""
    if data[:1] == b"L":
        parse_layout(data[1:], "layout.toml")
        return
    path = FOLDER / "wearlab.toml"
    path.write_bytes(data[1:])
    read_settings(path).model_dump_json()


if __name__ == "__main__":
    atheris.Setup(sys.argv, judged(settings))
    atheris.Fuzz()
