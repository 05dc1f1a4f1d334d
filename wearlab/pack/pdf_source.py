"""The pages of a pack made ready to stand in one document: ids that do not clash, links from page to page, fonts."""

from __future__ import annotations

import posixpath
import re
from collections.abc import Iterator, Mapping
from html.parser import HTMLParser
from importlib import resources
from urllib.parse import unquote, urlsplit
from xml.etree.ElementTree import Element, ParseError, SubElement, fromstring

from wearlab.language import _

#: families that the document brings with it, so that it looks the same everywhere
SANS, MONO = "Pack Sans", "Pack Mono"

#: scheme of the addresses of a page's own charts
CHART = "chart"

#: signs that are read at a time in search of a heading
_READ = 4096

_SVG = "{http://www.w3.org/2000/svg}svg"
_CHART = re.compile(r"<svg\b([^>]*)>.*?</svg\s*>", re.DOTALL)
_SPACE = re.compile(r"\sxmlns\s*=")
_REFERENCE = re.compile(r"url\((['\"]?)#")
#: attributes that name ids of their own page
_NAMES_IDS = ("for", "headers", "aria-labelledby", "aria-describedby", "aria-controls", "aria-owns", "aria-details")
#: what runs, or what loads something, has no use on paper
_DROPPED = frozenset({"script", "noscript", "template", "iframe", "object", "embed", "base", "link"})
#: what the pages themselves do not print; left out here, it is not even looked at
_SCREEN_TAGS, _SCREEN = frozenset({"nav", "footer"}), frozenset({"skip", "screen", "small", "only"})
#: where something of a page begins that may not be printed
_MAY_GO = re.compile(
    r'<details\b[^>]*>|<([a-z][a-z0-9]*)\b[^>]*\bclass="[^"]*\b(?:' + "|".join(sorted(_SCREEN)) + r")\b[^>]*>"
)
_CLASS = re.compile(r'\bclass="([^"]*)"')


def start_of(number: int) -> str:
    """The id at the top of a page of the pack, counted from 0."""
    return f"p{number}"


def without_charts(html: str) -> tuple[str, dict[str, bytes]]:
    """Return what of a page is printed, with an image for each chart, and the charts by the address of their image.

    What is drawn stays the same; a chart that is read on its own is no part of the page's own elements, each of which
    would be looked at by every rule of the style sheets.
    """
    found: dict[str, bytes] = {}

    def image(match: re.Match[str]) -> str:
        said = match.group(1)
        space = "" if _SPACE.search(said) else f' xmlns="{_SVG[1:-4]}"'
        chart = f'<svg{space} font-family="{SANS}"{match.group(0)[len("<svg") :]}'
        try:
            fromstring(chart)
        except ParseError:
            return match.group(0)
        address = f"{CHART}:{len(found)}"
        found[address] = chart.encode()
        return f'<img src="{address}" alt=""{said.rstrip("/")}>'

    return _CHART.sub(image, _printed(html)), found


def _printed(html: str) -> str:
    """A page without what is on screen alone or folded away: hundreds of rows need not be read to be left out.

    What this text-wise look does not find is left out of the parsed page, see `prepare`.
    """
    kept, at, search = [], 0, 0
    while (match := _MAY_GO.search(html, search)) is not None:
        search = match.end()
        found = _CLASS.search(match.group(0))
        whole = found is not None and bool(_SCREEN & set(found.group(1).split()))
        begin = match.start()
        if not whole:
            if match.group(1) is not None or " open" in match.group(0):
                continue
            begin = html.find("</summary>", search) + len("</summary>")
        end = _end_of(html, match.group(1) or "details", search, whole=whole)
        if end is None or begin > end:
            continue
        kept.append(html[at:begin])
        at = search = end
    return "".join((*kept, html[at:]))


def _end_of(html: str, tag: str, inside: int, *, whole: bool) -> int | None:
    """Where an element ends whose inside begins at a place, with its end tag if it goes as a `whole`."""
    depth = 1
    for match in re.compile(rf"<(/?){tag}\b[^>]*>").finditer(html, inside):
        depth += -1 if match.group(1) else 1
        if not depth:
            return match.end() if whole else match.start()
    return None


def styles_of(root: Element) -> list[str]:
    """Take the style sheets that a parsed page brings along out of it."""
    found = []
    for parent in list(_elements(root)):
        for child in list(parent):
            if child.tag == "style":
                found.append(child.text or "")
                parent.remove(child)
    return found


def prepare(root: Element, name: str, number: int, numbers: Mapping[str, int], first: int) -> None:
    """Change a parsed page in place so that it may stand beside others; `name` is its path within the pack.

    Ids carry the page's number; links go to the pages in `numbers` (path to number) or nowhere; charts use the fonts
    that are brought along; pages are counted from `first`; what is folded away is left out.
    """
    _drop(root)
    for element in _elements(root):
        _rename(element, number)
        if element.tag == "a" and "href" in element.attrib:
            where = _target(element.attrib["href"], name, number, numbers)
            if where is None:
                del element.attrib["href"]
            else:
                element.attrib["href"] = where
        if element.tag == _SVG:
            element.set("font-family", SANS)
    head, body = root.find("head"), root.find("body")
    if head is not None:
        SubElement(head, "style").text = f"@page :first{{counter-set:page {first}}}"
    if body is not None:
        body.insert(0, Element("div", {"id": start_of(number)}))


def heading_of(html: str, name: str) -> str:
    """The first main heading of a page, else its title, else its name; nothing below the heading is read."""
    reader = _Heading()
    reader.feed(html)
    for tag in ("h1", "title"):
        text = " ".join(reader.texts.get(tag, "").split())
        if text:
            return text
    return name


def css_text(text: str) -> str:
    """A text as a string of a style sheet, every sign that could end it written by its number."""
    plain = (sign if sign.isascii() and sign.isalnum() else f"\\{ord(sign):x} " for sign in text)
    return f'"{"".join(plain)}"'


class _Heading(HTMLParser):
    """Gathers the texts of the title and of the first main heading."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.texts: dict[str, str] = {}
        self._inside: str | None = None

    def feed(self, data: str) -> None:
        """Read on until the heading is closed."""
        for begin in range(0, len(data), _READ):
            super().feed(data[begin : begin + _READ])
            if self._inside is None and "h1" in self.texts:
                return

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """A heading begins; only the first of its kind counts."""
        if tag in ("h1", "title") and tag not in self.texts:
            self.texts[tag] = ""
            self._inside = tag

    def handle_endtag(self, tag: str) -> None:
        """It ends."""
        if tag == self._inside:
            self._inside = None

    def handle_data(self, data: str) -> None:
        """Its text."""
        if self._inside is not None:
            self.texts[self._inside] += data


def sheet_of(title: str) -> str:
    """The style of the PDF: its foot with `title`, its fonts, and plain layouts in place of those that take long."""
    text = resources.files("wearlab.pack").joinpath("templates", "pdf.css").read_text(encoding="utf-8")
    before, _place, after = _("page {number}", number="\0").partition("\0")
    return text.replace("TITLE", css_text(title)).replace("PAGE", f"{css_text(before)} counter(page) {css_text(after)}")


def _elements(root: Element) -> Iterator[Element]:
    # a comment has a function in place of a tag
    return (element for element in root.iter() if isinstance(element.tag, str))


def _drop(root: Element) -> None:
    for parent in list(_elements(root)):
        closed = parent.tag == "details" and "open" not in parent.attrib
        for child in list(parent):
            policy = child.tag == "meta" and "http-equiv" in child.attrib
            # what is folded away is not laid out either: it would only take its time
            unseen = child.tag in _DROPPED | _SCREEN_TAGS or bool(_SCREEN & _classes(child))
            if unseen or policy or (closed and child.tag != "summary"):
                _remove(parent, child)


def _remove(parent: Element, child: Element) -> None:
    """Take an element out and leave the text that follows it."""
    place = list(parent).index(child)
    if child.tail and place:
        parent[place - 1].tail = (parent[place - 1].tail or "") + child.tail
    elif child.tail:
        parent.text = (parent.text or "") + child.tail
    parent.remove(child)


def _classes(element: Element) -> set[str]:
    return set(element.get("class", "").split()) if isinstance(element.tag, str) else set()


def _rename(element: Element, number: int) -> None:
    for key, value in element.attrib.items():
        if key == "id":
            element.set(key, f"{start_of(number)}-{value}")
        elif key in _NAMES_IDS:
            element.set(key, " ".join(f"{start_of(number)}-{word}" for word in value.split()))
        elif "url(" in value:
            element.set(key, _REFERENCE.sub(rf"url(\1#{start_of(number)}-", value))
        elif key.rpartition("}")[2] == "href" and value.startswith("#") and element.tag != "a":
            element.set(key, f"#{start_of(number)}-{value[1:]}")


def _target(href: str, name: str, number: int, numbers: Mapping[str, int]) -> str | None:
    """Where a link goes within the document: a link to what the document does not hold goes nowhere."""
    try:
        told = urlsplit(href)
    except ValueError:
        return None
    if told.scheme or told.netloc:
        return None
    to: int | None = number
    if told.path:
        to = numbers.get(posixpath.normpath(posixpath.join(posixpath.dirname(name), unquote(told.path))))
    if to is None:
        return None
    return f"#{start_of(to)}-{unquote(told.fragment)}" if told.fragment else f"#{start_of(to)}"
