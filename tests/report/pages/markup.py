"""What every page must keep, read with the standard library's HTML parser: no browser needed."""

from __future__ import annotations

import base64
import hashlib
import re
from collections import Counter
from html.parser import HTMLParser
from itertools import pairwise

__all__ = ["Markup", "faults"]

_VOID = {"meta", "link", "br", "hr", "img", "input", "wbr"}
_HEADINGS = ("h1", "h2", "h3", "h4", "h5", "h6")


class Markup(HTMLParser):
    """The elements of a page in order, as (tag, attributes), its visible text, and what does not
    nest."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.text = ""
        self.raw: dict[str, str] = {}  # text of style and script
        self.unclosed: list[str] = []
        self._open: list[str] = []
        self.feed(page)
        self.close()
        self.unclosed += self._open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in _VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open.pop() != tag:
            self.unclosed.append(f"/{tag}")

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] in ("style", "script"):
            self.raw[self._open[-1]] = self.raw.get(self._open[-1], "") + data
        else:
            self.text += data

    def all(self, tag: str) -> list[dict[str, str]]:
        """Attributes of all elements of a kind."""
        return [attributes for name, attributes in self.elements if name == tag]

    def attribute(self, name: str) -> list[str]:
        """All values of an attribute."""
        return [a[name] for _, a in self.elements if name in a]


def faults(page: str) -> list[str]:
    """Return what is wrong with a page; nothing is expected to be."""
    m = Markup(page)
    return [*m.unclosed, *_names(m), *_outside(m), *_order(m), *_labels(m)]


def _names(m: Markup) -> list[str]:
    ids = m.attribute("id")
    wrong = [f"id {i} stands {n} times" for i, n in Counter(ids).items() if n > 1]
    pointed = [h[1:] for h in m.attribute("href") if h.startswith("#")]
    for name in ("aria-labelledby", "aria-describedby", "aria-controls"):
        pointed += [i for value in m.attribute(name) for i in value.split()]
    return wrong + [f"nothing has the id {i}" for i in sorted(set(pointed) - set(ids))]


def _outside(m: Markup) -> list[str]:
    wrong = [f"{name}={value}" for name in ("href", "src", "xlink:href", "action", "srcset")
             for value in m.attribute(name) if not value.startswith(("#", "data:image/svg+xml,"))]
    wrong += [f"{tag} has {name}" for tag, a in m.elements for name in a
              if name == "style" or name.startswith("on")]
    wrong += re.findall(r"@import|url\(", m.raw["style"])
    wrong += re.findall(r"\b(?:fetch|XMLHttpRequest|WebSocket|innerHTML|eval|import)\b",
                        m.raw["script"])
    policy = next((a["content"] for a in m.all("meta")
                   if a.get("http-equiv") == "Content-Security-Policy"), "")
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    if rules.get("default-src") != "'none'":
        wrong.append("the policy lets things in")
    for part in ("style", "script"):
        digest = base64.b64encode(hashlib.sha256(m.raw[part].encode()).digest()).decode()
        if rules.get(f"{part}-src") != f"'sha256-{digest}'" or len(m.all(part)) != 1:
            wrong.append(f"the {part} is not the one that the policy names")
    return wrong


def _order(m: Markup) -> list[str]:
    levels = [_HEADINGS.index(tag) + 1 for tag, _ in m.elements if tag in _HEADINGS]
    wrong = [f"h{a} is followed by h{b}" for a, b in pairwise(levels)
             if b > a + 1]
    if levels[:1] != [1] or levels.count(1) != 1:
        wrong.append("the page does not begin with its one h1")
    tags = Counter(tag for tag, _ in m.elements)
    wrong += [f"{tags[t]} {t}" for t in ("main", "nav", "header", "footer", "title")
              if tags[t] != 1]
    if m.all("html") != [{"lang": "en"}]:
        wrong.append("the language is not said")
    return wrong


def _labels(m: Markup) -> list[str]:
    tags = [tag for tag, _ in m.elements]
    wrong = [f"table {i} has no caption" for i, tag in enumerate(tags)
             if tag == "table" and tags[i + 1] != "caption"]
    wrong += ["th without scope" for a in m.all("th") if a.get("scope") not in ("row", "col")]
    for tag, a in m.elements:
        needs = tag in ("section", "article", "nav") or a.get("role") in ("img", "region", "group")
        if needs and not (a.get("aria-label") or a.get("aria-labelledby")):
            wrong.append(f"{tag} without a name")
        if tag == "svg" and not (a.get("role") == "img" or a.get("aria-hidden") == "true"
                                 or a.get("class") in ("defs", "tip")):
            wrong.append("svg that is neither named nor hidden")
    return wrong
