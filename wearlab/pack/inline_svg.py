"""A chart as part of a page: the same picture in fewer bytes, with ids of the page's own.

A page gives name space, fonts and a place among other charts; what a lone file has to say of these is left away.
Attributes that neighbours share are said once, in a group around them; nothing is drawn otherwise than before.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from xml.etree import ElementTree

from wearlab.charts.svg import Chart
from wearlab.pack.marks import number, round_marks, straight_marks

_SVG = "{http://www.w3.org/2000/svg}"
_PATH, _TEXT, _USE, _GROUP, _DEFS = (f"{_SVG}{name}" for name in ("path", "text", "use", "g", "defs"))
#: what places an element; all else may be said by a group around it
_OWN = ("d", "x", "y", "id", "href")
#: what a group says for all that is in it; the rest belongs to the element
_INHERITED = (
    "fill", "fill-opacity", "stroke", "stroke-opacity", "stroke-width", "stroke-linejoin", "stroke-linecap",
    "stroke-dasharray", "font-size", "font-weight", "text-anchor",
)  # fmt: skip
#: an element with one of these is left alone: in a group around it they would mean something else
_ALONE = ("transform", "opacity")
#: neighbours that share attributes are grouped from this number on
_WORTH = 3
_BLACK = "#000000"
#: bytes of a mark that refers to its shape
_MARK = 38
_POINT = re.compile(r"([ML]) (-?[\d.]+) (-?[\d.]+)|z")
_LINES = re.compile(r"(?:[ML] -?[\d.]+ -?[\d.]+ ?|z ?)+")
_SIGN = re.compile(r" ?([MLHVCSQTAZmlhvcsqtaz]) ?")
_ZERO = re.compile(r"(?<![\d.])(-?)0\.(?=\d)")


def inline_svg(chart: Chart, key: str) -> str:
    """Return the chart's SVG for a page; `key` is a word that begins all its ids and is no other chart's there."""
    root = ElementTree.fromstring(chart.svg)
    old = root.get("aria-labelledby", "").split("-")[0]
    root.attrib.pop("font-family", None)
    shapes = {f"#{shape.get('id')}": shape for shape in root.iter(_PATH) if "id" in shape.attrib}
    for element in list(root.iter()):
        _unite(element)
    for element in list(root.iter()):
        _merge(element, shapes)
    _forget(root)
    for element in list(root.iter()):
        for name in ("fill", "stroke"):
            if element.get(name) == "#ffffff":
                element.set(name, "#fff")
        if "d" in element.attrib:
            element.set("d", short_path(element.get("d", "")))
    for element in list(root.iter()):
        _hoist(element, shapes)
        _lower(element)
        _group(element, (_PATH, _TEXT), lambda child: _besides(child, *_OWN))
        _group(element, (_PATH, _GROUP), lambda child: {n: v for n, v in child.attrib.items() if n == "clip-path"})
    ElementTree.register_namespace("", _SVG[1:-1])
    text = ElementTree.tostring(root, encoding="unicode").replace(f' xmlns="{_SVG[1:-1]}"', "", 1)
    return text.replace(" />", "/>").replace(f"{old}-", f"{key}-")


def short_path(data: str) -> str:
    """Return path data in fewer signs: straight lines from point to point, `M 1 2 L 3 -0.5 L 3 4` as `M1 2l2-2.5v4.5`.

    Coordinates are tenths, so that sums of steps are exact.
    """
    told = _lines(data) if _LINES.fullmatch(data) else data
    return _ZERO.sub(r"\1.", _SIGN.sub(r"\1", told)).replace(" -", "-")


def _lines(data: str) -> str:
    told: list[str] = []
    last, before_x, before_y = "", 0.0, 0.0
    for found in _POINT.finditer(data):
        letter = found.group(1)
        if letter is None:
            told.append("z")
            last = "z"
            continue
        x, y = float(found.group(2)), float(found.group(3))
        right, down = number(x - before_x), number(y - before_y)
        if letter == "M":
            step, last = f"M {number(x)} {number(y)}", "M"
        elif right == "0":
            step, last = f"v {down}", "v"
        elif down == "0":
            step, last = f"h {right}", "h"
        else:
            step, last = f"{right} {down}" if last == "l" else f"l {right} {down}", "l"
        told.append(step)
        before_x, before_y = x, y
    return " ".join(told)


def _unite(element: ElementTree.Element) -> None:
    """Draw neighbours of one colour and look as one: where they cover each other, nothing shows it."""
    block: dict[tuple[str, tuple[tuple[str, str], ...]], ElementTree.Element] = {}
    colour: str | None = None
    for child in list(element):
        if child.tag == _DEFS:
            continue
        own = _colour(child)
        if own is None or own != colour:
            block, colour = {}, own
        if own is None:
            continue
        first = block.setdefault((child.tag, tuple(sorted(_besides(child, "d").items()))), child)
        if first is child:
            continue
        element.remove(child)
        if child.tag == _PATH:
            first.set("d", f"{first.get('d')} {child.get('d')}")
        else:
            first.extend(list(child))


def _colour(element: ElementTree.Element) -> str | None:
    """The one colour of a path or of a series of marks; None where there are several, or what is below shines through.

    Dashes begin anew with every line, so that lines with dashes stay apart too.
    """
    drawn = list(element) if element.tag == _GROUP else [element]
    if element.tag not in (_PATH, _GROUP) or any(one.tag not in (_PATH, _USE) for one in drawn):
        return None
    said = [one.attrib for one in (element, *drawn)]
    if any("opacity" in name or "dash" in name or name in ("transform", "id") for one in said for name in one):
        return None
    colours = {one.get(name, _BLACK if name == "fill" else "none") for one in said[1:] for name in ("fill", "stroke")}
    colours -= {"none"}
    return colours.pop() if len(colours) == 1 else None


def _besides(element: ElementTree.Element, *names: str) -> dict[str, str]:
    return {name: value for name, value in element.attrib.items() if name not in names}


def _merge(element: ElementTree.Element, shapes: dict[str, ElementTree.Element]) -> None:
    """Draw filled marks of one shape and colour as one path where that is shorter; hollow ones cover each other."""
    marks = list(element)
    if element.tag != _GROUP or not marks or any(mark.tag != _USE for mark in marks):
        return
    said = _besides(marks[0], "x", "y")
    if any(_besides(mark, "x", "y") != said for mark in marks):
        return
    shape = shapes[said.pop("href")]
    if set(said) != {"fill"} or set(shape.attrib) != {"id", "d"}:
        return
    places = [(float(mark.get("x", "0")), float(mark.get("y", "0"))) for mark in marks]
    dots, drawn = round_marks(shape.get("d", ""), places), straight_marks(shape.get("d", ""), places)
    if dots is not None:
        told = {"d": dots[0], "stroke": said["fill"], "stroke-width": dots[1], "stroke-linecap": "round"}
    elif drawn is not None and len(drawn) < _MARK * len(marks) + len(shape.get("d", "")):
        told = {"d": drawn, **said}
    else:
        return
    for mark in marks:
        element.remove(mark)
    element.append(ElementTree.Element(_PATH, told))


def _forget(root: ElementTree.Element) -> None:
    """Take away shapes that nothing refers to any longer, and places for shapes without any."""
    used = {mark.get("href", "")[1:] for mark in root.iter(_USE)}
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag != _DEFS:
                continue
            for shape in list(child):
                if shape.tag == _PATH and shape.get("id") not in used:
                    child.remove(shape)
            if not len(child):
                parent.remove(child)


def _hoist(element: ElementTree.Element, shapes: dict[str, ElementTree.Element]) -> None:
    """Say of a group what all its marks say, and leave out what their common shape says of itself."""
    children = list(element)
    if element.tag != _GROUP or not children or any(child.tag != _USE for child in children):
        return
    first = dict(children[0].attrib)
    for name in _INHERITED:
        value = first.get(name)
        if value is None or name in element.attrib or any(child.get(name) != value for child in children):
            continue
        for child in children:
            del child.attrib[name]
        if any(shapes[child.get("href", "")].get(name) is None for child in children):
            element.set(name, value)


def _lower(element: ElementTree.Element) -> None:
    """Let an only child say what the group around it says."""
    for child in list(element):
        if child.tag == _GROUP and len(child) == 1 and child[0].tag == _PATH and set(child.attrib) == {"clip-path"}:
            path = child[0]
            if "clip-path" not in path.attrib and not any(name in path.attrib for name in _ALONE):
                path.set("clip-path", child.get("clip-path", ""))
                element.insert(list(element).index(child), path)
                element.remove(child)


def _group(
    element: ElementTree.Element,
    tags: tuple[str, ...],
    shared: Callable[[ElementTree.Element], dict[str, str]],
) -> None:
    """Put runs of neighbours that share attributes into a group that says them."""
    runs: list[tuple[dict[str, str], list[ElementTree.Element]]] = []
    open_run = False
    for child in list(element):
        said = shared(child)
        fit = child.tag in tags and bool(said) and not any(name in child.attrib for name in _ALONE)
        if child.tag == _DEFS and not len(shared(child)):
            # shapes are drawn nowhere: a run goes on around them
            continue
        if fit and open_run and runs[-1][0] == said and runs[-1][1][-1].tag in tags:
            runs[-1][1].append(child)
        elif fit:
            runs.append((said, [child]))
        open_run = fit
    for said, run in runs:
        if len(run) < _WORTH:
            continue
        group = ElementTree.Element(_GROUP, said)
        element.insert(list(element).index(run[0]), group)
        for child in run:
            element.remove(child)
            group.append(child)
            for name in said:
                del child.attrib[name]
