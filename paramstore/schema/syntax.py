"""Wording of TOML syntax errors."""
from __future__ import annotations
from paramstore.errors import Finding, SourceText
def explain_syntax(source: SourceText, error: str) -> Finding:
    return Finding("PS101", error, source)
