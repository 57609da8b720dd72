"""SVG files that need nothing beside them: the frame, and the few elements pictures are made of.

Same picture, same bytes. Colours follow the light or dark theme of whoever looks; all texts are
made printable. Knows nothing of what a picture shows.
"""

from __future__ import annotations

from xml.etree import ElementTree

from paramstore.core.text import printable

__all__ = ["Element", "box", "label", "number", "picture", "rule", "svg_text", "text_element"]

Element = ElementTree.Element

_BASE = """
.paper {{ fill: {paper}; }} text {{ fill: {ink}; }} .soft {{ fill: {soft}; }}
"""
_LIGHT = {"paper": "#ffffff", "ink": "#1b2733", "soft": "#66727f", "line": "#d5dbe1",
          "mark": "#14568f", "bad": "#a3261b"}
_DARK = {"paper": "#14191f", "ink": "#e4e9ee", "soft": "#9aa6b2", "line": "#3a444f",
         "mark": "#7db8ee", "bad": "#ff9488"}


def picture(width: int, height: int, title: str, description: str, look: str,
            themes: bool = True) -> Element:
    """Return the root of a picture of so many pixels on paper. Without `themes` it is light for
    everybody, as what is printed is.

    `look` has rules of CSS with `{paper}`, `{ink}`, `{soft}`, `{line}`, `{mark}` and `{bad}` for
    the colours of a theme, and other braces doubled.
    """
    root = ElementTree.Element("svg", {
        "xmlns": "http://www.w3.org/2000/svg", "viewBox": f"0 0 {width} {height}",
        "width": str(width), "height": str(height), "role": "img",
        "aria-labelledby": "title desc"})
    text_element(root, "title", title, id="title")
    text_element(root, "desc", description, id="desc")
    # Plain rules, no variables: viewers that are no browsers know those, and show the light one.
    light, dark = ((_BASE + look).format(**theme) for theme in (_LIGHT, _DARK))
    style = ("text { font: 13px system-ui, sans-serif; } .head { font-weight: 600; }" + light
             + ("@media (prefers-color-scheme: dark) {" + dark + "}\n" if themes else ""))
    ElementTree.SubElement(root, "style").text = style
    box(root, 0, 0, width, height, "paper")
    return root


def svg_text(root: Element) -> str:
    """Return the text of an SVG file."""
    return ElementTree.tostring(root, encoding="unicode") + "\n"


def number(value: float) -> str:
    """Return pixels with at most two decimals."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def text_element(parent: Element, tag: str, text: str, **attributes: str) -> Element:
    """Add an element that holds text."""
    element = ElementTree.SubElement(parent, tag, attributes)
    element.text = printable(text)
    return element


def label(parent: Element, x: float, y: float, text: str, look: str,
          anchor: str = "start") -> Element:
    """Add a text with its base line at `y`."""
    element = text_element(parent, "text", text, x=number(x), y=number(y))
    if look:
        element.set("class", look)
    if anchor != "start":
        element.set("text-anchor", anchor)
    return element


def rule(parent: Element, x1: float, y1: float, x2: float, y2: float, look: str) -> None:
    """Add a line."""
    ElementTree.SubElement(parent, "line", {
        "class": look, "x1": number(x1), "y1": number(y1), "x2": number(x2), "y2": number(y2)})


def box(parent: Element, x: float, y: float, width: float, height: float, look: str,
        tip: str = "") -> None:
    """Add a rectangle, with a text that shows where a pointer rests on it."""
    element = ElementTree.SubElement(parent, "rect", {
        "class": look, "x": number(x), "y": number(y), "width": number(width),
        "height": number(height)})
    if tip:
        text_element(element, "title", tip)
