"""The EEPROM part of a store: looked up in the catalogue, or described in `[store.part]`."""

from __future__ import annotations

from paramstore.core.words import code_list, near_words
from paramstore.schema import catalogue
from paramstore.schema.desk import Table
from paramstore.schema.part import Part
from paramstore.schema.part_table import KEYS, part_from_table, problems

__all__ = ["read_part"]


def read_part(store: Table) -> Part | None:
    """Return the part of the store; None, with findings, if it is not known or not sound."""
    given = store.get("part")
    if isinstance(given, str):
        part = catalogue.find(given)
        if part is None:
            _refuse_unknown(store, given)
        return part
    if given is None:
        return None
    found = problems(given)
    meant = {w for name in given if name not in KEYS for w in near_words(name, list(KEYS))[:1]}
    for problem in found:
        if not problem.path and any(f"`{word}`" in problem.message for word in meant):
            continue  # it is there, only misspelt
        # An unknown key is wrong itself, and a missing one is told where the part begins.
        at_key = not problem.path or problem.path[0] not in KEYS
        place = store.desk.key if at_key else store.desk.value
        span = place(*store.path, "part", *problem.path)
        store.desk.add("PS311", problem.message, span, help=problem.help)
    return None if found else part_from_table(given)


def _refuse_unknown(store: Table, name: str) -> None:
    longer = [n for n in catalogue.names() if name.strip().casefold() in n.casefold()]
    near = longer[:3] if name.strip() and longer else near_words(name, catalogue.names())
    store.desk.add(
        "PS310",
        f"the catalogue has no part `{name}`",
        store.span("part"),
        notes=("`paramstore parts` lists the catalogue",),
        help=(f"did you mean {code_list(near, 'or')}? If not, describe" if near else "describe")
        + " the part in a table `[store.part]`",
    )
