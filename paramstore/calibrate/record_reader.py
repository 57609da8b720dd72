"""What belongs with a calibration, and what is accepted, from a checked table of a recipe."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

from paramstore.calibrate.acceptance import Acceptance
from paramstore.calibrate.particulars import Particulars, interval_of
from paramstore.calibrate.recipe import FedParameter
from paramstore.calibrate.record_keys import (
    ACCEPTANCE_KEYS,
    INTERVAL_UNITS,
    REFERENCE_KEYS,
    STORES_KEYS,
)
from paramstore.core.errors import Span
from paramstore.core.text import first_unprintable
from paramstore.core.words import code_list
from paramstore.located.validator import CheckedTable
from paramstore.schema.model import Kind
from paramstore.schema.to_raw import ValueProblem, parameter_to_raw

__all__ = ["read_acceptance", "read_particulars", "read_stores"]

_KINDS = {"date": (Kind.DATE,), "due": (Kind.DATE,), "buffers": (Kind.FLAGS, Kind.TEXT)}
"""What can hold what; a text parameter holds all else."""
_KIND_WORDS = {Kind.DATE: "date", Kind.FLAGS: "flags", Kind.TEXT: "text"}

FindTarget = Callable[[str, Span, str], FedParameter | None]
"""Takes GROUP.PARAMETER, its place, and what it is to hold; None after a finding."""


def read_particulars(table: CheckedTable) -> Particulars:
    """Return the circumstances that a recipe gives; findings (PS804, PS112) spoil the table."""
    reference = table.inner("reference", REFERENCE_KEYS, f"`reference` of {table.what}"
                            ) if table.given("reference") else None
    if reference and reference.spoilt:
        table.spoil("reference")
    text = table.get("interval", "")
    interval = interval_of(text)
    if text and interval is None:
        table.add("PS804", f"`{text}` is no interval", table.span("interval"),
                  help=f"write a number and {code_list([f'{u}s' for u in INTERVAL_UNITS], 'or')}, "
                  "such as `12 months`")
        table.spoil("interval")
    buffers = tuple(table.get("buffers", ()))
    if any(first_unprintable(name) for name in buffers):
        table.add("PS112", "`buffers` has a character that does not print", table.span("buffers"),
                  help="type the text anew, in letters, signs and blanks")
        table.spoil("buffers")
    get: Callable[..., Any] = reference.get if reference else lambda name, default=None: default
    certified: date | None = get("date")
    return Particulars(
        table.get("date"), table.get("person", ""), table.get("ambient", ""), buffers, interval,
        get("instrument", ""), get("certificate", ""), certified)


def read_acceptance(table: CheckedTable) -> Acceptance | None:
    """Return which errors are accepted; None if the recipe does not say, or after findings."""
    if not table.given("acceptance"):
        return None
    inner = table.inner("acceptance", ACCEPTANCE_KEYS, f"`acceptance` of {table.what}")
    if inner is None or inner.spoilt:
        table.spoil("acceptance")
        return None
    values = {k: float(inner.get(k, key.default)) for k, key in ACCEPTANCE_KEYS.items()}
    if not values["limit"] and not values["percent"]:
        table.add("PS804", f"`acceptance` of {table.what} has no tolerance",
                  table.span("acceptance"), help="add `limit = 0.05`, `percent = 0.5`, or both")
        table.spoil("acceptance")
        return None
    return Acceptance(values["limit"], values["percent"], values["guard_band"])


def read_stores(table: CheckedTable, target: FindTarget,
                particulars: Particulars) -> dict[str, FedParameter]:
    """Return the parameters that take what belongs with a calibration, by key."""
    if not table.given("stores"):
        return {}
    inner = table.inner("stores", STORES_KEYS, f"`stores` of {table.what}")
    if inner is None or inner.spoilt:
        table.spoil("stores")
        return {}
    stores = {}
    for key, text in inner.values.items():
        span = inner.span(key)
        found = target(str(text), span, key)
        if found is None:
            table.spoil("stores")
        elif found.parameter.kind not in _KINDS.get(key, (Kind.TEXT,)) or found.field.array:
            kinds = " or ".join(_KIND_WORDS[k] for k in _KINDS.get(key, (Kind.TEXT,)))
            table.add("PS803", f"`{text}` is no {kinds} parameter, as `{key}` needs", span,
                      help=f"name one of type {kinds}, without `count`")
            table.spoil("stores")
        elif not _buffers_fit(table, key, found, particulars):
            table.spoil("stores")
        else:
            stores[key] = found
    return stores


def _buffers_fit(table: CheckedTable, key: str, target: FedParameter,
                 particulars: Particulars) -> bool:
    """Check that the flags that take the buffers have their names."""
    if key != "buffers" or target.parameter.kind is not Kind.FLAGS or not particulars.buffers:
        return True
    try:
        parameter_to_raw(target.parameter, list(particulars.buffers))
    except ValueProblem as problem:
        table.add("PS804", problem.message, table.span("buffers"), notes=problem.notes,
                  help=problem.help)
        return False
    return True
