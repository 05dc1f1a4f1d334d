"""A figure as SVG, PNG and PDF: the same bytes twice, nothing of the day or program, texts as text."""

from __future__ import annotations

import io
from pathlib import Path
from xml.etree import ElementTree

import pytest
from matplotlib.figure import Figure
from pypdf import PdfReader

from pipelines.steps.figure_file import FORMATS, Drawing, figure_bytes, save_figure
from wearlab.errors import InputError

NAME = "V$12$ <b>&"


def figure() -> Figure:
    made = Figure(figsize=(3.0, 1.0))
    made.text(0.1, 0.5, NAME)
    return made


DRAWING = Drawing(NAME, "what it shows", figure)


@pytest.mark.parametrize("ending", FORMATS)
def test_equal_figures_are_equal_bytes(ending: str, tmp_path: Path) -> None:
    path = tmp_path / f"a{ending.upper()}"
    save_figure(DRAWING, path)
    assert path.read_bytes() == figure_bytes(DRAWING, ending)
    assert b"atplotlib" not in path.read_bytes()


def test_an_svg_bears_title_and_description_as_text() -> None:
    root = ElementTree.fromstring(figure_bytes(DRAWING, ".svg"))
    texts = [text.strip() for text in root.itertext() if text.strip()]
    assert texts == [NAME, "what it shows", NAME]


def test_a_pdf_and_a_png_hold_the_figure() -> None:
    reader = PdfReader(io.BytesIO(figure_bytes(DRAWING, ".pdf")))
    assert reader.metadata is not None
    assert reader.metadata.title == NAME
    assert NAME in reader.pages[0].extract_text()
    assert figure_bytes(DRAWING, ".png")[:8] == b"\x89PNG\r\n\x1a\n"


def test_other_endings_and_places_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"has to end in .svg, .png or .pdf"):
        save_figure(DRAWING, tmp_path / "a.gif")
    with pytest.raises(InputError, match="cannot be written"):
        save_figure(DRAWING, tmp_path / "no" / "a.svg")
    assert list(tmp_path.iterdir()) == []
