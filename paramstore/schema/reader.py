"""From TOML text to a `Schema`, or to all of its mistakes at once.

Walks the file from the store over the groups to the parameters. Each level tells its own mistakes;
rules between parameters and between groups are in `rules`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from paramstore.core.disk import read_text
from paramstore.core.errors import Finding, FindingsError, SourceText
from paramstore.core.words import code_list, near_words
from paramstore.located.keys import KeyPath, TomlTable, TomlValue
from paramstore.located.source import load_document
from paramstore.located.validator import CheckedTable, Validator
from paramstore.schema import catalogue
from paramstore.schema.frequency import writes_per_day
from paramstore.schema.identifiers import name_problem
from paramstore.schema.keys import ALIASES, GROUP_KEYS, ROOT_KEYS, STORE_KEYS
from paramstore.schema.model import Group, Parameter, Role, Schema
from paramstore.schema.parameters import read_parameter
from paramstore.schema.part import Part
from paramstore.schema.part_table import part_from_table, problems
from paramstore.schema.rules import check_below, check_groups, check_part

__all__ = ["load_schema", "read_schema"]

def load_schema(path: str | Path) -> tuple[Schema, tuple[Finding, ...]]:
    """Return the schema in a file and the warnings about it; see `read_schema`.

    ToolError if the file cannot be read.
    """
    return read_schema(read_text(path))


def read_schema(source: SourceText) -> tuple[Schema, tuple[Finding, ...]]:
    """Return the schema in `source` and the warnings about it, sorted by place.

    FindingsError with every mistake (PS1xx, PS2xx, PS3xx), and the warnings among them.
    """
    validator = Validator(load_document(source), ALIASES)
    if "fixed" in validator.document.data and "store" not in validator.document.data:
        validator.add("PS110", "this is the schema of a fixed layout, not of a store",
                      validator.key("fixed"),
                      notes=("a fixed layout has no part, pages, releases or firmware of its own",),
                      help="give the schema of a store; `unpack`, `examine`, `bytes`, "
                      "`differ`, `check` and `plan` take fixed layouts, and `migrate` their values")
        raise FindingsError(validator.findings)
    if _holds_values(validator.document.data):
        validator.add("PS105", "this is a values file, not a schema", None,
                 notes=("it has neither `store` nor `group`",),
                 help="give the schema that the values are for; a schema begins with `[store]`")
        raise FindingsError(validator.findings)
    root = validator.table((), ROOT_KEYS, "the schema", guess=_guess_group)
    assert root is not None
    store = _read_store(validator, root)
    groups = _read_groups(validator, root, _life_years(store))
    part = _read_part(store) if store else None
    if store and part:
        check_part(store, part)
    warnings = validator.sound_findings()
    assert store is not None and part is not None
    schema = Schema(part=part, groups=tuple(groups), source=source, **_store_values(store))
    return schema, warnings


def _holds_values(data: TomlTable) -> bool:
    """Return whether the file has tables of plain values only, as a values file has."""
    return bool(data) and all(
        isinstance(table, dict)
        and "role" not in table
        and not any(isinstance(value, dict) for value in table.values())
        and name not in (known := ("store", "group"))
        and not near_words(name, known)
        for name, table in data.items()
    )


def _guess_group(name: str, value: TomlValue) -> tuple[str, str] | None:
    """Explain a table at the top: mostly a group without `group.` before its name."""
    if not isinstance(value, dict):
        return None
    return "group", f"if it is a group, write `[group.{name}]`"


# ---- The store ----------------------------------------------------------------------------------


def _read_store(validator: Validator, root: CheckedTable) -> CheckedTable | None:
    if "store" not in root.values:
        return None
    store = validator.table(("store",), STORE_KEYS, "the store", example="[store]")
    if store and "name" in store.values and (problem := name_problem("store", store.get("name"))):
        validator.add_problem(problem._replace(at_key=False), ("store", "name"))
    return store


def _life_years(store: CheckedTable | None) -> float:
    default: float = STORE_KEYS["life_years"].default
    return float(store.get("life_years", default)) if store else default


def _store_values(store: CheckedTable) -> dict[str, Any]:
    values = {n: store.get(n) for n in STORE_KEYS if n in store.values and n != "part"}
    values["retired_groups"] = tuple(store.get("retired_groups", ()))
    values["spans"] = {n: store.span(n) for n in STORE_KEYS if n in store.values}
    return values | {
        n: float(values[n]) for n in ("supply_v", "temperature_c", "life_years") if n in values
    }


def _check_name(validator: Validator, what: str, path: KeyPath) -> None:
    if problem := name_problem(what, str(path[-1])):
        validator.add_problem(problem, path)


def _read_part(store: CheckedTable) -> Part | None:
    """Return the part of the store: looked up in the catalogue, or described in `[store.part]`.
    None, with findings, if it is not known or not sound."""
    given = store.get("part")
    if isinstance(given, str):
        part = catalogue.find(given)
        if part is None:
            _refuse_part(store, given)
        return part
    if given is None:
        return None
    found = problems(given)
    for problem in found:
        store.validator.add_problem(problem, (*store.path, "part"))
    return None if found else part_from_table(given)


def _refuse_part(store: CheckedTable, name: str) -> None:
    longer = [n for n in catalogue.names() if name.strip().casefold() in n.casefold()]
    near = longer[:3] if name.strip() and longer else near_words(name, catalogue.names())
    store.add(
        "PS310", f"the catalogue has no part `{name}`", store.span("part"),
        notes=("`paramstore parts` lists the catalogue",),
        help=(f"did you mean {code_list(near, 'or')}? If not, describe" if near else "describe")
        + " the part in a table `[store.part]`")


# ---- Groups -------------------------------------------------------------------------------------


def _read_groups(validator: Validator, root: CheckedTable, life_years: float) -> list[Group]:
    if "group" in root.spoilt:
        return []
    tables = root.get("group", {})
    if not tables:
        validator.add("PS301", "the store has no groups",
                 validator.key("group") if root.data else None,
                 help="add `[group.settings]` with `role` and `writes`, and its parameters under "
                 "`[group.settings.parameter]`")
        return []
    groups = []
    for position, name in enumerate(tables, start=1):
        _check_name(validator, "group", ("group", name))
        group = _read_group(validator, name, position, life_years)
        if group is not None:
            groups.append(group)
    check_groups(validator, groups, len(tables))
    return groups


def _read_group(validator: Validator, name: str, position: int, life_years: float) -> Group | None:
    path = ("group", name)

    def guess(_: str, value: TomlValue) -> tuple[str, str] | None:
        if not isinstance(value, dict):
            return None
        return "parameter", f"parameters of the group are in `[group.{name}.parameter]`"

    table = validator.table(path, GROUP_KEYS, f"group `{name}`", example=f"[group.{name}]",
                            guess=guess)
    if table is None:
        return None
    parameters = _read_parameters(validator, table, name)
    role = Role(table.get("role")) if "role" in table.values else None
    per_day = writes_per_day(table, life_years)
    if role is None or per_day is None:
        return None
    copies = table.get("copies", 2 if role.protected else 1)
    return Group(
        name, table.get("id", position), role, per_day, parameters, copies, table.get("slots"),
        table.get("room"), table.get("doc", ""), "id" in table.values, table.get("was"),
        tuple(table.get("retired", ())), validator.key(*path),
    )


def _read_parameters(validator: Validator, group: CheckedTable, name: str) -> tuple[Parameter, ...]:
    if "parameter" in group.spoilt:
        return ()
    tables = group.get("parameter", {})
    if not tables:
        validator.add("PS302", f"group `{name}` has no parameters", validator.key(*group.path),
                 help=f'write `[group.{name}.parameter]`, and below it `level = {{ type = "u8" }}`')
        return ()
    parameters = []
    for parameter_name in tables:
        path = (*group.path, "parameter", parameter_name)
        _check_name(validator, "parameter", path)
        parameter = read_parameter(validator, path, parameter_name)
        if parameter is not None:
            parameters.append(parameter)
    check_below(validator, group.path, tables, parameters)
    return tuple(parameters)
