"""A figure as a file: SVG, PNG or PDF, by the ending of its name; equal figures give equal bytes."""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.steps.whole_file import write_whole
from wearlab.errors import InputError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FORMATS = (".svg", ".png", ".pdf")
#: dots an inch of a picture
_DOTS = 200


@dataclass(frozen=True, slots=True)
class Drawing:
    """A figure with the two texts that stand for it; `draw` is called inside the house style, once a file."""

    title: str
    description: str
    draw: Callable[[], Figure]


def check_format(path: Path) -> None:
    """Refuse a name that ends in none of the formats, before anything is worked out for it.

    Raises
    ------
    InputError
        The ending is none of them.
    """
    if path.suffix.lower() not in FORMATS:
        raise InputError(f'"{path.name}" has to end in {", ".join(FORMATS[:-1])} or {FORMATS[-1]}')


def save_figure(drawing: Drawing, path: Path) -> None:
    """Write a figure; a file that is there is replaced.

    Raises
    ------
    InputError
        The ending is none of the formats, or the file cannot be written.
    """
    check_format(path)
    write_whole(path, figure_bytes(drawing, path.suffix.lower()))


def figure_bytes(drawing: Drawing, ending: str) -> bytes:
    """Return a figure as a file of that ending, without the day or program it was made by.

    An SVG and a PDF bear its title, an SVG its description too.
    """
    from wearlab.charts.style import house_style
    from wearlab.charts.svg import finish

    with house_style(), warnings.catch_warnings():
        # a sign that the font lacks is shown as a box in a picture
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure = drawing.draw()
        if ending == ".svg":
            return finish(figure, drawing.title, drawing.description).svg.encode("utf-8")
        made = io.BytesIO()
        pdf = {"CreationDate": None, "Creator": None, "Producer": None, "Title": drawing.title}
        told = pdf if ending == ".pdf" else {"Software": None, "Title": None}
        figure.savefig(made, format=ending[1:], dpi=_DOTS, metadata=told)
    return made.getvalue()
