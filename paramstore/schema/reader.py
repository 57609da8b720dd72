"""From TOML text to a `Schema`, or to all of its mistakes at once.

Walks the file from the store over the groups to the parameters. Each level tells its own mistakes;
rules between parameters and between groups are in `rules`.
"""

from __future__ import annotations

from pathlib import Path as FilePath
from typing import Any

from paramstore.core.disk import read_text
from paramstore.core.errors import Finding, FindingsError, SourceText, errors_in
from paramstore.core.words import did_you_mean, near_words
from paramstore.located.source import load_document
from paramstore.schema.desk import Desk, Table
from paramstore.schema.frequency import writes_per_day
from paramstore.schema.identifiers import name_problem
from paramstore.schema.keys import GROUP_KEYS, ROOT_KEYS, STORE_KEYS
from paramstore.schema.model import Group, Parameter, Role, Schema
from paramstore.schema.parameters import read_parameter
from paramstore.schema.rules import check_below, check_groups, check_part
from paramstore.schema.store_part import read_part

__all__ = ["load_schema", "read_schema"]

def load_schema(path: str | FilePath) -> tuple[Schema, tuple[Finding, ...]]:
    """Return the schema in a file and the warnings about it; see `read_schema`.

    ToolError if the file cannot be read.
    """
    return read_schema(read_text(path))


def read_schema(source: SourceText) -> tuple[Schema, tuple[Finding, ...]]:
    """Return the schema in `source` and the warnings about it, sorted by place.

    FindingsError with every mistake (PS1xx, PS2xx, PS3xx), and the warnings among them.
    """
    desk = Desk(load_document(source))
    if "fixed" in desk.document.data and "store" not in desk.document.data:
        desk.add("PS110", "this is the schema of a fixed layout, not of a store", desk.key("fixed"),
                 notes=("a fixed layout has no part, pages, releases or firmware of its own",),
                 help="give the schema of a store; `unpack`, `examine`, `bytes`, `locate`, "
                 "`differ`, `check` and `plan` take fixed layouts, and `migrate` their values")
        raise FindingsError(desk.findings)
    if _holds_values(desk.document.data):
        desk.add("PS105", "this is a values file, not a schema", None,
                 notes=("it has neither `store` nor `group`",),
                 help="give the schema that the values are for; a schema begins with `[store]`")
        raise FindingsError(desk.findings)
    root = desk.table((), ROOT_KEYS, "the schema", stray=_stray_group)
    assert root is not None
    store = _read_store(desk, root)
    groups = _read_groups(desk, root, _life_years(store))
    part = read_part(store) if store else None
    if store and part:
        check_part(store, part)
    if errors_in(desk.findings):
        raise FindingsError(desk.findings)
    assert store is not None and part is not None
    schema = Schema(part=part, groups=tuple(groups), source=source, **_store_values(store))
    return schema, tuple(sorted(desk.findings, key=lambda f: f.sort_key))


def _holds_values(data: dict[str, Any]) -> bool:
    """Return whether the file has tables of plain values only, as a values file has."""
    return bool(data) and all(
        isinstance(table, dict)
        and "role" not in table
        and not any(isinstance(value, dict) for value in table.values())
        and name not in (known := ("store", "group"))
        and not near_words(name, known)
        for name, table in data.items()
    )


def _stray_group(name: str, value: Any) -> tuple[str, str] | None:
    """Explain a table at the top: mostly a group without `group.` before its name."""
    if not isinstance(value, dict):
        return None
    return "group", f"if it is a group, write `[group.{name}]`"


# ---- The store ----------------------------------------------------------------------------------


def _read_store(desk: Desk, root: Table) -> Table | None:
    if "store" not in root.values:
        return None
    store = desk.table(("store",), STORE_KEYS, "the store", example="[store]")
    if store and "name" in store.values:
        _check_name(desk, "store", store.get("name"), store.span("name"))
    return store


def _life_years(store: Table | None) -> float:
    default: float = STORE_KEYS["life_years"].default
    return float(store.get("life_years", default)) if store else default


def _store_values(store: Table) -> dict[str, Any]:
    values = {n: store.get(n) for n in STORE_KEYS if n in store.values and n != "part"}
    values["retired_groups"] = tuple(store.get("retired_groups", ()))
    values["spans"] = {n: store.span(n) for n in STORE_KEYS if n in store.values}
    return values | {
        n: float(values[n]) for n in ("supply_v", "temperature_c", "life_years") if n in values
    }


def _check_name(desk: Desk, what: str, name: str, span: Any) -> None:
    problem = name_problem(what, name)
    if problem:
        desk.add(problem.code, problem.message, span, notes=(problem.note,), help=problem.help)


# ---- Groups -------------------------------------------------------------------------------------


def _read_groups(desk: Desk, root: Table, life_years: float) -> list[Group]:
    if "group" in root.spoilt:
        return []
    tables = root.get("group", {})
    if not tables:
        desk.add("PS301", "the store has no groups", desk.key("group") if root.data else None,
                 help="add `[group.settings]` with `role` and `writes`, and its parameters under "
                 "`[group.settings.parameter]`")
        return []
    groups = []
    for position, name in enumerate(tables, start=1):
        _check_name(desk, "group", name, desk.key("group", name))
        group = _read_group(desk, name, position, life_years)
        if group is not None:
            groups.append(group)
    check_groups(desk, groups, len(tables))
    return groups


def _read_group(desk: Desk, name: str, position: int, life_years: float) -> Group | None:
    path = ("group", name)

    def stray(_: str, value: Any) -> tuple[str, str] | None:
        if not isinstance(value, dict):
            return None
        return "parameter", f"parameters of the group are in `[group.{name}.parameter]`"

    table = desk.table(path, GROUP_KEYS, f"group `{name}`", example=f"[group.{name}]", stray=stray)
    if table is None:
        return None
    parameters = _read_parameters(desk, table, name)
    role = _role(table)
    per_day = writes_per_day(table, life_years)
    if role is None or per_day is None:
        return None
    copies = table.get("copies", 2 if role.protected else 1)
    return Group(
        name, table.get("id", position), role, per_day, parameters, copies, table.get("slots"),
        table.get("room"), table.get("doc", ""), "id" in table.values, table.get("was"),
        tuple(table.get("retired", ())), desk.key(*path),
    )


def _role(table: Table) -> Role | None:
    name = table.get("role")
    roles = [r.value for r in Role]
    if name in roles:
        return Role(name)
    if name is not None:
        table.desk.add("PS306", f"there is no role `{name}`", table.span("role"),
                       notes=("the role decides how a group is protected and kept",),
                       help=did_you_mean(name, roles, "the roles"))
    return None


def _read_parameters(desk: Desk, group: Table, name: str) -> tuple[Parameter, ...]:
    if "parameter" in group.spoilt:
        return ()
    tables = group.get("parameter", {})
    if not tables:
        desk.add("PS302", f"group `{name}` has no parameters", desk.key(*group.path),
                 help=f'write `[group.{name}.parameter]`, and below it `level = {{ type = "u8" }}`')
        return ()
    parameters = []
    for parameter_name in tables:
        path = (*group.path, "parameter", parameter_name)
        _check_name(desk, "parameter", parameter_name, desk.key(*path))
        parameter = read_parameter(desk, path, parameter_name)
        if parameter is not None:
            parameters.append(parameter)
    check_below(desk, group.path, tables, parameters)
    return tuple(parameters)
