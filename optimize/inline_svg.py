"""Pictures as parts of a page: small SVG with a name, and no identifier twice on the page."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from xml.etree import ElementTree

from matplotlib import style as matplotlib_style
from matplotlib.figure import Figure

from optimize.pictures.drawing import STYLE

_SVG = "{http://www.w3.org/2000/svg}"
_HREF = "{http://www.w3.org/1999/xlink}href"
_URL = re.compile(r"url\(#([^)]+)\)")
_LONG_NUMBER = re.compile(r"-?\d+\.\d{2,}")
_TRANSLATION = re.compile(r"translate\([^)]*\)")
_SPACES = re.compile(r"\s+")
_GLYPH = re.compile(r"^DejaVu")  # matplotlib names letters by font and code
#: Digits behind the point in coordinates: a hundredth of a point is finer than any screen.
_PLACES = 2


@dataclass(frozen=True, kw_only=True, slots=True)
class InlineSvg:
    """A picture for a page.

    Attributes
    ----------
    markup : str
        The `svg` element; letters are references into the shared glyphs of the page.
    glyphs : mapping of str to str
        Identifier to `path` element of every letter used: the same letter has the same identifier
        and the same outline in every picture, so a page defines it once.
    width_pt, height_pt : float
        Natural size. [pt]
    """

    markup: str
    glyphs: Mapping[str, str]
    width_pt: float
    height_pt: float


def inline_svg(figure: Figure, *, key: str, title: str, description: str) -> InlineSvg:
    """Return a figure as an SVG element for a page.

    Parameters
    ----------
    figure : Figure
        Any figure of this project.
    key : str
        Prefix of all identifiers; no two pictures of a page have the same.
    title, description : str
        Accessible name, and a sentence for those who cannot see the picture.
    """
    buffer = io.BytesIO()
    with matplotlib_style.context([*STYLE, {"svg.hashsalt": key}]):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    root = ElementTree.fromstring(buffer.getvalue())
    glyphs = _take_glyphs(root)
    _drop_what_a_page_has_no_use_for(root)
    _rename(root, key, kept=frozenset(glyphs))
    for element in root.iter():
        _shorten(element)
    size_pt = [float(root.attrib[name].removesuffix("pt")) for name in ("width", "height")]
    for name in ("width", "height", "version"):
        root.attrib.pop(name, None)
    for place, (name, text) in enumerate((("title", title), ("desc", description))):
        element = ElementTree.Element(f"{_SVG}{name}", {"id": f"{key}-{name}"})
        element.text = text
        root.insert(place, element)
    # Where a page leaves too much width the picture keeps to the left, as text does.
    root.attrib |= {
        "role": "img",
        "aria-labelledby": f"{key}-title",
        "aria-describedby": f"{key}-desc",
        "preserveAspectRatio": "xMinYMin",
    }
    return InlineSvg(
        markup=_written(root), glyphs=glyphs, width_pt=size_pt[0], height_pt=size_pt[1]
    )


def glyph_sheet(glyphs: Mapping[str, str]) -> str:
    """Return an invisible SVG element that defines letters for all pictures of a page."""
    paths = "".join(path for _, path in sorted(glyphs.items()))
    return (
        '<svg class="glyphs" width="0" height="0" aria-hidden="true" focusable="false">'
        f"<defs>{paths}</defs></svg>"
    )


def _take_glyphs(root: ElementTree.Element) -> dict[str, str]:
    """Return outlines of letters by identifier, and take them out of the picture."""
    glyphs: dict[str, str] = {}
    for definitions in root.iter(f"{_SVG}defs"):
        for path in list(definitions):
            name = path.get("id", "")
            if path.tag == f"{_SVG}path" and _GLYPH.search(name):
                path.set("d", _SPACES.sub(" ", path.get("d", "")).strip())
                glyphs[name] = _written(path)
                definitions.remove(path)
    return glyphs


def _drop_what_a_page_has_no_use_for(root: ElementTree.Element) -> None:
    """Drop metadata and style sheets (one inside a page would style all of it), and empty groups.

    What the style sheet says stands in the page's own.
    """
    for parent in list(root.iter()):
        for child in list(parent):
            is_empty = child.tag in (f"{_SVG}defs", f"{_SVG}g") and not len(child)
            if is_empty or child.tag in (f"{_SVG}metadata", f"{_SVG}style"):
                parent.remove(child)
            elif child.tag == f"{_SVG}g" and child.get("id", "").startswith("text_"):
                child.set("class", "text")


def _rename(root: ElementTree.Element, key: str, *, kept: frozenset[str]) -> None:
    """Give identifiers that are referred to a prefix, and drop all others."""
    used: set[str] = set()
    for element in root.iter():
        used.add(element.get(_HREF, "").removeprefix("#"))
        for value in element.attrib.values():
            used.update(_URL.findall(value))
    names = {name: f"{key}-{count}" for count, name in enumerate(sorted(used - kept - {""}))}
    for element in root.iter():
        own = element.attrib.pop("id", None)
        if own in names:
            element.set("id", names[own])
        target = element.attrib.pop(_HREF, "").removeprefix("#")
        if target.startswith("data:"):  # a part drawn as pixels, because it has thousands of marks
            element.set("href", target)
        elif target:
            element.set("href", f"#{names.get(target, target)}")
        for name, value in element.attrib.items():
            if "url(#" in value:
                element.set(name, _URL.sub(lambda match: f"url(#{names[match[1]]})", value))


def _shorten(element: ElementTree.Element) -> None:
    """Round coordinates, but not scales, which are small, and close up white space."""
    for name, value in element.attrib.items():
        if name in ("d", "x", "y", "width", "height", "points"):
            value = _LONG_NUMBER.sub(_rounded, value)
        elif name == "transform":
            value = _TRANSLATION.sub(lambda m: _LONG_NUMBER.sub(_rounded, m[0]), value)
        elif name == "style":
            value = value.replace("; ", ";").replace(": ", ":")
        element.set(name, _SPACES.sub(" ", value).strip())


def _rounded(match: re.Match[str]) -> str:
    return f"{float(match[0]) + 0.0:.{_PLACES}f}".rstrip("0").rstrip(".")


def _written(element: ElementTree.Element) -> str:
    """Return an element as markup for HTML, which knows the name spaces by itself."""
    tag = element.tag.removeprefix(_SVG)
    attributes = "".join(f' {k}="{escape(v)}"' for k, v in element.attrib.items())
    text = escape((element.text or "").strip(), quote=False)
    inside = text + "".join(_written(child) for child in element)
    if tag == "g" and not attributes:
        return inside
    if tag == "defs" and not inside:
        return ""
    return f"<{tag}{attributes}>{inside}</{tag}>" if inside else f"<{tag}{attributes}/>"
