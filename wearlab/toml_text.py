"""TOML as people and other programs write it, read with suspicion: no size, depth or number of it harms."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from wearlab.errors import ConfigError

#: Largest file that is read, in bytes; a wearlab.toml with a thousand limits has a quarter of it.
LARGEST = 1_000_000

#: Dots in one line that may stand between parts of a key. The reader's time grows with the square of their number.
MOST_DOTS = 40

#: Dots that stand in no key: decimal points, and several in a row.
_NO_KEY = re.compile(r"(?<![\d.])\d+\.\d+(?![\d.])|\.{2,}")
_CONTROL = re.compile(r"[\0-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ufffe\uffff]")


def toml_bytes(path: Path) -> bytes:
    """Return the bytes of a file, no more of them than show that it is too large.

    Raises
    ------
    ConfigError
        It cannot be opened.
    """
    try:
        with path.open("rb") as file:
            return file.read(LARGEST + 1)
    except OSError as fault:
        raise ConfigError(
            f"{path} cannot be opened ({fault.strerror or fault}): check its name and its rights"
        ) from None


def read_toml(content: bytes, name: str) -> dict[str, Any]:
    """Read TOML from its bytes; `name` begins the error sentence.

    Raises
    ------
    ConfigError
        It is not UTF-8, too large, not TOML, or nested or long beyond any use.
    """
    if len(content) > LARGEST:
        raise ConfigError(
            f"{name} has more than the {LARGEST / 1e6:g} MB that are read of settings and layouts: shorten it"
        )
    try:
        text = content.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as fault:
        raise ConfigError(f"{name} cannot be read as UTF-8 text ({fault.reason}): save it as UTF-8") from None
    for number, line in enumerate(text.split("\n"), start=1):
        if line.count(".") > MOST_DOTS and not line.lstrip().startswith("#"):
            dots = _NO_KEY.sub("", line).count(".")
            if dots > MOST_DOTS:
                raise ConfigError(f"{name} has {dots:,} dots in line {number}, more than any key needs: correct it")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise ConfigError(f"{name} is not valid TOML: {str(fault)[-300:]}; correct that line") from None
    except RecursionError:
        raise ConfigError(f"{name} is nested too deeply: write plain tables and lists") from None
    except ValueError:  # Python turns no more than some thousand digits into a number
        raise ConfigError(f"{name} holds a number with too many digits: shorten it") from None


def refuse_controls(data: dict[str, Any], name: str) -> None:
    """Refuse keys and texts with control characters, which no report can show; TOML can write them as escapes.

    Raises
    ------
    ConfigError
        There is one; the sentence shows the text without it.
    """
    left: list[Any] = [data]
    while left:
        one = left.pop()
        if isinstance(one, dict):
            left += [*one, *one.values()]
        elif isinstance(one, list):
            left += one
        elif isinstance(one, str) and _CONTROL.search(one):
            raise ConfigError(f'{name} holds a control character in "{_CONTROL.sub("?", one)[:60]}": write it without')
