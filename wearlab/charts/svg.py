"""A figure as compact SVG that may stand many times in one page: no foreign names, no clashing ids, a text.

matplotlib writes style attributes, ids on every group and six decimals. Here the styles become plain
attributes (so that a strict content policy needs no exception for them), ids that nothing refers to go, the
others are made unique, numbers are rounded to a tenth of a point, and a title and a description are added.
"""

from __future__ import annotations

import hashlib
import io
import re
import warnings
from dataclasses import dataclass
from xml.etree import ElementTree

from matplotlib.figure import Figure

from wearlab.charts.style import FONTS, house_style
from wearlab.charts.words import cell

_SVG = "{http://www.w3.org/2000/svg}"
_HREF = "{http://www.w3.org/1999/xlink}href"
_NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")
_REFERENCE = re.compile(r"url\(#([^)]+)\)")
_NO_TURN = re.compile(r"^rotate\(-?0 [^)]*\)$")
_DROPPED = {"font", "font-family", "font-weight", "font-style"}


@dataclass(frozen=True, slots=True)
class Chart:
    """A finished chart: SVG text, and the two texts that stand for it where it cannot be seen."""

    svg: str
    title: str
    description: str


def finish(figure: Figure, title: str, description: str) -> Chart:
    """Return the figure as a `Chart`; the same figure and texts always give the same bytes."""
    title, description = cell(title), cell(description)
    buffer = io.StringIO()
    with house_style(), warnings.catch_warnings():
        # a sign that the measuring font lacks is still shown by the reader's own font
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(buffer, format="svg", metadata=dict.fromkeys(("Date", "Creator", "Type", "Format")))
    root = ElementTree.fromstring(_without_doctype(buffer.getvalue()))
    key = "c" + hashlib.sha256((title + "\0" + buffer.getvalue()).encode()).hexdigest()[:10]
    _clean(root)
    _rename(root, key)
    _name(root, key, title, description)
    ElementTree.register_namespace("", _SVG[1:-1])
    return Chart(ElementTree.tostring(root, encoding="unicode"), title, description)


def _without_doctype(text: str) -> str:
    return text[text.index("<svg") :]


def _clean(root: ElementTree.Element) -> None:
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag == f"{_SVG}metadata" or child.find(f"{_SVG}style") is not None:
                parent.remove(child)
    for element in root.iter():
        for name, value in _attributes(element.attrib.pop("style", "")):
            element.set(name, value)
        if _HREF in element.attrib:
            element.set("href", element.attrib.pop(_HREF))
        if _NO_TURN.match(element.get("transform", "")):
            del element.attrib["transform"]
        for name in ("d", "x", "y", "width", "height", "transform", "points"):
            if name in element.attrib:
                element.set(name, _short(element.attrib[name]))
        if element.tag not in (f"{_SVG}text", f"{_SVG}tspan"):
            element.text = None
        element.tail = None
    _unwrap(root)


def _attributes(style: str) -> list[tuple[str, str]]:
    pairs = []
    for part in style.split(";"):
        name, _, value = part.partition(":")
        name, value = name.strip(), value.strip()
        if name == "font":
            # shorthand "bold 9px 'DejaVu Sans'": size and weight are kept, the family is the page's
            size = re.search(r"([\d.]+)px", value)
            if size:
                pairs.append(("font-size", size.group(1)))
            if re.match(r"(bold|[6-9]00)\b", value):
                pairs.append(("font-weight", "bold"))
        elif name == "font-size":
            pairs.append((name, value.removesuffix("px")))
        elif name == "font-weight" and value not in ("400", "normal"):
            pairs.append((name, value))
        elif name and name not in _DROPPED and not (name == "stroke-dashoffset" and value == "0"):
            pairs.append((name, _short(value) if name == "stroke-dasharray" else value))
    return pairs


def _short(text: str) -> str:
    rounded = _NUMBER.sub(lambda found: f"{round(float(found.group()), 1):g}", text)
    return " ".join(rounded.split()).replace("-0 ", "0 ")


def _unwrap(root: ElementTree.Element) -> None:
    """Take away groups that hold one thing or nothing and say nothing themselves."""
    used = _used(root)

    def visit(element: ElementTree.Element) -> None:
        index = 0
        while index < len(element):
            child = element[index]
            visit(child)
            if child.get("id") not in used:
                child.attrib.pop("id", None)
            if child.tag in (f"{_SVG}g", f"{_SVG}defs") and not child.attrib and child.tag == f"{_SVG}g":
                grandchildren = list(child)
                element.remove(child)
                for offset, grandchild in enumerate(grandchildren):
                    element.insert(index + offset, grandchild)
                index += len(grandchildren)
                continue
            index += 1

    visit(root)


def _used(root: ElementTree.Element) -> set[str]:
    names: set[str] = set()
    for element in root.iter():
        for value in element.attrib.values():
            names.update(_REFERENCE.findall(value))
        if element.get("href", "").startswith("#"):
            names.add(element.get("href", "")[1:])
    return names


def _rename(root: ElementTree.Element, key: str) -> None:
    new: dict[str, str] = {}
    for element in root.iter():
        name = element.get("id")
        if name is not None:
            new[name] = f"{key}-{len(new)}"
            element.set("id", new[name])
    for element in root.iter():
        for name, value in element.attrib.items():
            if name == "href":
                element.set(name, "#" + new[value[1:]])
            elif "url(#" in value:
                element.set(name, _REFERENCE.sub(lambda found: f"url(#{new[found.group(1)]})", value))


def _name(root: ElementTree.Element, key: str, title: str, description: str) -> None:
    for name in ("version", "id"):
        root.attrib.pop(name, None)
    for name in ("width", "height"):
        root.set(name, root.get(name, "").removesuffix("pt"))
    root.set("role", "img")
    root.set("aria-labelledby", f"{key}-t {key}-d")
    root.set("font-family", FONTS)
    root.set("stroke-linejoin", "round")
    for place, (tag, text) in enumerate((("title", title), ("desc", description))):
        element = ElementTree.Element(f"{_SVG}{tag}", {"id": f"{key}-{tag[0]}"})
        element.text = text
        root.insert(place, element)
