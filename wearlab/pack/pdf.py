"""The pages of a pack as one PDF: A4, page numbers, contents, bookmarks, fonts embedded.

Every page is laid out on its own, one after the other, so that no page number has to be guessed and time grows only
with the number of pages; the contents come after the first page, which decides.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import quote

from wearlab.charts.words import cell
from wearlab.language import _, msg, spoken
from wearlab.pack.pdf_source import MONO, SANS, heading_of, prepare, sheet_of, styles_of, without_charts
from wearlab.records import NoAnswer

NO_PANGO = msg(
    "no PDF was made, as the text library Pango is missing. Debian and Ubuntu: apt install libpango-1.0-0 "
    "libpangoft2-1.0-0 libharfbuzz-subset0; Fedora: dnf install pango; macOS: brew install pango; Windows: pacman -S "
    "mingw-w64-ucrt-x86_64-pango in MSYS2. The pack is complete without it, and its pages print from a browser"
)

#: name of the contents among the pages; no page of a pack has it
_CONTENTS = "#contents"
#: how many pages are laid out between two words on how far it is
_SAID = 10

_CONTENTS_SHEET = f"""
@page {{ margin: 14mm 14mm 16mm }}
body {{ font: 10pt/1.5 "{SANS}"; color: #1d2733; margin: 0 }}
h1 {{ font-size: 17pt; margin: 0 0 4mm }}
ol {{ list-style: none; margin: 0 0 5mm; padding: 0 }}
ol.many {{ columns: 3; column-gap: 8mm }}
li {{ break-inside: avoid }}
a {{ color: inherit; text-decoration: none }}
a::after {{ content: leader(".") " " attr(data-page) }}
"""


@dataclass(frozen=True, slots=True)
class PdfMade:
    """A finished PDF. `starts` are the headings of its pages of the pack and where they begin, contents left out."""

    content: bytes
    pages: int
    starts: tuple[tuple[str, int], ...]
    #: addresses outside the pack that a page named; the PDF is made without them
    refused: tuple[str, ...]


def pdf_can_be_made() -> bool:
    """Return whether the libraries that lay out a PDF are there."""
    try:
        # where one is missing, the PDF library prints advice of its own before it raises
        with contextlib.redirect_stdout(io.StringIO()):
            import weasyprint  # noqa: F401
    except (ImportError, OSError):
        return False
    return True


def make_pdf(
    pages: Sequence[tuple[str, str]],
    folder: Path,
    *,
    title: str,
    note: str = "",
    say: Callable[[str], None] | None = None,
) -> PdfMade | NoAnswer:
    """Return the pages of a pack, each as (path within the pack, HTML), as one PDF in their order.

    `folder` is the pack's: nothing outside it is read, and no network. `title` stands at the foot of every page,
    `note` below the contents. Links between the pages given become links of the PDF, other links are dropped. Equal
    pages give equal bytes on one machine.

    Raises
    ------
    ValueError
        There are no pages, or two of one name.
    """
    numbers = {name: number for number, (name, _) in enumerate(pages)}
    if not pages or len(numbers) < len(pages):
        raise ValueError("a PDF needs pages with names of their own")
    if not pdf_can_be_made():
        return NoAnswer(_(NO_PANGO))
    import weasyprint
    from weasyprint.text.fonts import FontConfiguration

    from wearlab.pack.pdf_fetch import ConfinedFetcher

    faces = _faces()
    fetcher = ConfinedFetcher(folder, [path for _, _, path in faces])
    fonts = FontConfiguration()
    shown = cell(title)

    @cache
    def sheet(text: str, base: str) -> Any:
        return weasyprint.CSS(string=text, base_url=base, font_config=fonts, url_fetcher=fetcher)

    def laid_out(name: str, html: str, number: int, first: int) -> Any:
        base = (folder.resolve() / name).as_uri()
        text, fetcher.charts = without_charts(html)
        source = weasyprint.HTML(string=text, base_url=base, url_fetcher=fetcher)
        root = source.etree_element
        # pages share their style sheets, which are read once for all of one folder
        texts = [_font_sheet(faces), *styles_of(root), sheet_of(shown)]
        sheets = [sheet(text, base.rpartition("/")[0] + "/") for text in texts]
        prepare(root, name, number, numbers, first)
        return source.render(font_config=fonts, stylesheets=sheets)

    headings = [heading_of(html, name) for name, html in pages]
    starts = [1] * len(pages)

    def contents(first: int) -> Any:
        lines = [(name, headings[number], starts[number]) for number, (name, _) in enumerate(pages)]
        return laid_out(_CONTENTS, _contents(lines, note), len(pages), first)

    made = [laid_out(*pages[0], 0, 1)]
    after = len(made[0].pages) + 1
    if len(pages) > 1:
        # a line of the contents is one line whatever number stands in it
        place = after + len(contents(after).pages)
        for number, (name, html) in enumerate(pages[1:], start=1):
            made.append(laid_out(name, html, number, place))
            starts[number] = place
            place += len(made[-1].pages)
            if say is not None and (number % _SAID == 0 or number == len(pages) - 1):
                say(f"  PDF: {number + 1} of {len(pages)} pages laid out")
        made.insert(1, contents(after))
    sheets = [page for document in made for page in document.pages]
    made[0].metadata.title = shown
    identity = hashlib.sha256("\0".join([shown, *(html for _, html in pages)]).encode("utf-8", "replace")).digest()
    content: bytes = made[0].copy(sheets).write_pdf(pdf_identifier=identity[:16])
    return PdfMade(content, len(sheets), tuple(zip(headings, starts, strict=True)), tuple(fetcher.refused))


def _contents(lines: Sequence[tuple[str, str, int]], note: str) -> str:
    """The contents as a page: pages of the whole fleet first, those in folders below them in columns."""
    whole = [line for line in lines if "/" not in line[0]]
    one_each = [line for line in lines if "/" in line[0]]
    told = "".join(_list(group, style) for group, style in ((whole, "few"), (one_each, "many")) if group)
    word = escape(_("Contents"))
    below = f"<p>{escape(cell(note))}</p>" if note else ""
    return (
        f'<!doctype html><html lang="{spoken().name}"><head><title>{word}</title>'
        f"<style>{_CONTENTS_SHEET}</style></head>"
        f"<body><h1>{word}</h1>{told}{below}</body></html>"
    )


def _list(lines: Sequence[tuple[str, str, int]], style: str) -> str:
    items = (
        f'<li><a href="{escape(quote(name))}" data-page="{page}">{escape(cell(heading))}</a></li>'
        for name, heading, page in lines
    )
    return f'<ol class="{style}">{"".join(items)}</ol>'


def _faces() -> list[tuple[str, str, Path]]:
    """Family, weight and style, file of the fonts brought along: those that the charts are measured with."""
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    return [
        (SANS, "font-weight: normal", folder / "DejaVuSans.ttf"),
        (SANS, "font-weight: bold", folder / "DejaVuSans-Bold.ttf"),
        (SANS, "font-weight: normal; font-style: italic", folder / "DejaVuSans-Oblique.ttf"),
        (MONO, "font-weight: normal", folder / "DejaVuSansMono.ttf"),
        (MONO, "font-weight: bold", folder / "DejaVuSansMono-Bold.ttf"),
    ]


def _font_sheet(faces: Sequence[tuple[str, str, Path]]) -> str:
    return "\n".join(
        f'@font-face {{ font-family: "{family}"; {look}; src: url("{path.resolve().as_uri()}") }}'
        for family, look, path in faces
    )
