"""The C files of a store: a pure function from a Plan, and the files that go beside them.

No clock, no user and no path goes into the text: the same plan gives the same bytes. The
templates are in `templates/`, what they print is in `view`.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

from paramstore.core.templates import Environment, template_environment
from paramstore.firmware.rows import Bytes
from paramstore.firmware.spelling import comment_text
from paramstore.firmware.view import view_of
from paramstore.layout.plan import Plan

__all__ = ["TABLES_VERSION", "generate", "port_files", "runtime_files"]

TABLES_VERSION = 4
"""PS_TABLES_VERSION of the runtime that the generated tables are for."""


def generate(plan: Plan) -> dict[str, str]:
    """Return `STORE_params.h` and `STORE_params.c` by file name.

    Raises FindingsError (PS701, PS702) where the schema cannot become C.
    """
    view = view_of(plan)
    return {
        f"{view.name}_params.{end}": _environment().get_template(f"params.{end}.in").render(
            s=view, rows=_rows, tables_version=TABLES_VERSION)
        for end in ("h", "c")
    }


def runtime_files() -> dict[str, str]:
    """Return the hand-written C that the generated files need: paramstore.h and .c."""
    return _folder("runtime")


def port_files(linux: bool = False) -> dict[str, str]:
    """Return example ports to start from: those for bare metal, or the one for Linux.

    Apart, as what is for Linux does not compile on bare metal, where a build takes all files.
    """
    return {name: text for name, text in _folder("ports").items()
            if name.startswith("linux_") == linux}


def _folder(name: str) -> dict[str, str]:
    folder = files("paramstore.firmware") / name
    return {entry.name: entry.read_text("utf-8")
            for entry in sorted(folder.iterdir(), key=lambda e: e.name)
            if entry.name.endswith((".c", ".h"))}


@lru_cache
def _environment() -> Environment:
    environment = template_environment("paramstore.firmware")
    environment.filters["comment"] = comment_text
    return environment


def _rows(rows: tuple[Bytes, ...]) -> str:
    """Lines of initialisers, each row under its comment."""
    return "\n".join(f"    /* {row.comment} */\n" + "\n".join(f"    {line}" for line in row.lines)
                     for row in rows)
