"""The frame of a page: its template, style and script, and what keeps text of others harmless.

Every text that goes into a template is made printable (control and direction characters are shown,
not obeyed) and escaped. A content security policy lets the page's own style and script run, by
their digests, and nothing else; nothing is ever fetched.
"""

from __future__ import annotations

import base64
import hashlib
import re
from functools import lru_cache
from importlib.resources import files
from typing import TypeAlias

from markupsafe import Markup, escape

from paramstore.core.templates import Environment, template_environment
from paramstore.core.text import printable
from paramstore.core.words import plural

__all__ = ["Facts", "finished", "prose", "render"]

Facts: TypeAlias = dict[str, object]
"""What a template is filled with, by name."""

_SEPARATOR = re.compile(r"(?<=[/\\])")


def render(template: str, title: str, **facts: object) -> str:
    """Return the page that `templates/TEMPLATE.html.in` makes of facts, as a whole HTML file."""
    style, script = _part("page.css"), _part("page.js")
    return _environment().get_template(f"{template}.html.in").render(
        title=title, style=Markup(style), script=Markup(script), policy=_policy(style, script),
        **facts)


def prose(text: str) -> str:
    """Return a text of a schema as one line, however it was wrapped there."""
    return " ".join(text.split())


def _policy(style: str, script: str) -> str:
    return (f"default-src 'none'; style-src '{_digest(style)}'; script-src '{_digest(script)}'; "
            "img-src data:; base-uri 'none'; form-action 'none'")


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


@lru_cache
def _part(name: str) -> str:
    return files("paramstore.report.pages").joinpath("templates", name).read_text("utf-8")


@lru_cache
def _environment() -> Environment:
    environment = template_environment("paramstore.report.pages", html=finished)
    environment.globals["plural"] = plural
    environment.filters |= {"ticked": _ticked, "upper_first": _upper_first,
                            "breakable": _breakable}
    return environment


def _ticked(text: str) -> Markup:
    """Return a message with what stands in backticks marked as code."""
    parts = [escape(printable(part)) for part in text.split("`")]
    if len(parts) % 2 == 0:  # one tick is left over: it is a tick
        return escape("`").join(parts)
    return Markup("").join(Markup("<code>{}</code>").format(part) if i % 2 else part
                           for i, part in enumerate(parts))


def _breakable(text: str) -> Markup:
    """Return a text whose paths break at their separators where a line is short."""
    return Markup("<wbr>").join(escape(printable(part)) for part in _SEPARATOR.split(text))


def _upper_first(text: str) -> str:
    """Return a sentence with a capital at its start."""
    return text[:1].upper() + text[1:]


def finished(value: object) -> object:
    """Return what is shown for an expression of a template: text made printable."""
    if isinstance(value, str) and not hasattr(value, "__html__"):
        return printable(value)
    return value
