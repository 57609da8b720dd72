"""Wording of TOML syntax errors, with help for the mistakes that people make most."""

from __future__ import annotations

from paramstore.errors import Finding, SourceText

__all__ = ["explain_syntax"]


def explain_syntax(source: SourceText, error: str) -> Finding:
    """Return the finding for the message of a TOMLDecodeError."""
    return Finding("PS101", error, source)
