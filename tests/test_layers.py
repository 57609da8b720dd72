"""The house: which room may import which, and which room alone may use a library."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

ROOMS = {
    # room: what it may import, besides itself and the modules at the root of the package
    "parts": set(),
    "schema": {"parts"},
    "fixed": {"parts", "schema"},
    "calibrate": {"parts", "schema"},
    "layout": {"parts", "schema"},
    "codec": {"parts", "schema", "layout"},
    "evolve": {"parts", "schema", "layout", "codec"},
    "firmware": {"parts", "schema", "layout", "codec", "evolve"},
    "image": {"parts", "schema", "fixed", "layout", "codec", "evolve"},
    "decode": {"parts", "schema", "fixed", "layout", "codec", "evolve", "image"},
    "eeprom": {"parts"},
    "bus": {"parts", "schema", "layout", "codec", "evolve", "image", "eeprom"},
    "production": {"parts", "schema", "calibrate", "layout", "codec", "evolve", "image"},
    "store": {"parts", "schema", "layout", "codec"},
    "rig": {"parts", "schema", "layout", "codec", "evolve", "firmware", "image", "eeprom", "store"},
    "cuts": {"parts", "schema", "layout", "codec", "evolve", "firmware", "image", "eeprom",
             "store", "rig"},
    "report": {"parts", "schema", "fixed", "layout", "codec", "evolve", "firmware", "image",
               "eeprom", "store", "rig", "cuts", "calibrate", "decode", "production", "bus"},
}
ROOMS["tour"] = set(ROOMS)
"""Imports run one way: a room may use only rooms above it in this table."""

ROOT_MODULES_THAT_LOOK_UP = {"codes"}
"""Root modules that gather facts of the rooms, so no room may import them."""

FENCES = {
    # library: the only files that may import it
    "construct": ("paramstore/codec/",),
    "crcmod": ("paramstore/checksum.py",),
    "tree_sitter": ("paramstore/schema/source.py", "paramstore/schema/syntax.py"),
    "tree_sitter_toml": ("paramstore/schema/source.py", "paramstore/schema/syntax.py"),
    "bincopy": ("paramstore/image/",),
    "jinja2": ("paramstore/firmware/", "paramstore/report/"),
    "numpy": ("paramstore/calibrate/", "paramstore/production/bulk.py",
              "paramstore/production/columnar.py", "paramstore/production/numbers.py"),
    "smbus2": ("paramstore/bus/i2cdev.py",),
    "sqlite3": ("paramstore/production/database.py", "paramstore/production/seen.py"),
    "click": ("host_tools/",),
    "ctypes": ("paramstore/rig/", "paramstore/cuts/native.py"),
    "subprocess": ("paramstore/rig/",),
    "unicorn": ("paramstore/rig/emulated.py",),
    "elftools": ("paramstore/rig/emulated.py",),
}


def _files(folder: str) -> list[Path]:
    return sorted((ROOT / folder).rglob("*.py"))


def _imports(path: Path) -> Iterator[str]:
    """Yield every module that a file imports, at its top or inside a function."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield f"{node.module}"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def _room(module: str) -> str:
    """Return the room of `paramstore.ROOM.x`, or the root module's name."""
    return module.split(".")[1] if "." in module else ""


LIBRARY = [p.relative_to(ROOT).as_posix() for p in _files("paramstore")]


def test_every_room_is_in_the_table() -> None:
    """A new room needs a place in the order."""
    rooms = {p.parent.name for p in (ROOT / "paramstore").glob("*/__init__.py")}
    assert rooms == set(ROOMS)


@pytest.mark.parametrize("file", LIBRARY)
def test_imports_run_one_way(file: str) -> None:
    """A library module imports only the rooms that its own room may know."""
    parts = file.split("/")
    room = parts[1] if len(parts) > 2 else ""
    inner = {m for m in _imports(ROOT / file) if m.split(".")[0] == "paramstore"}
    for module in inner:
        target = _room(module)
        if target in ROOMS and target != room:
            allowed = ROOMS.get(room, set(ROOMS) if parts[1] == "codes.py" else set())
            assert target in allowed, f"{file} imports {module}"
        assert target not in ROOT_MODULES_THAT_LOOK_UP or room == "report", (
            f"{file} imports {module}"
        )


@pytest.mark.parametrize("file", LIBRARY)
def test_library_does_not_know_the_tools(file: str) -> None:
    """The library never imports the commands."""
    assert [m for m in _imports(ROOT / file) if m.split(".")[0] == "host_tools"] == []


@pytest.mark.parametrize("library", sorted(FENCES))
def test_fences_hold(library: str) -> None:
    """A third-party library is used behind its fence only."""
    users = {
        p.relative_to(ROOT).as_posix()
        for folder in ("paramstore", "host_tools")
        for p in _files(folder)
        if library in {m.split(".")[0] for m in _imports(p)}
    }
    outside = {u for u in users if not u.startswith(FENCES[library])}
    assert outside == set()


@pytest.mark.parametrize("file", LIBRARY)
def test_library_neither_prints_nor_exits(file: str) -> None:
    """Only the commands talk to a person or end the process."""
    calls = {
        node.func.id
        for node in ast.walk(ast.parse((ROOT / file).read_text("utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert calls & {"print", "input", "exit", "quit", "breakpoint"} == set()


@pytest.mark.parametrize(
    "file", [*LIBRARY, *(p.relative_to(ROOT).as_posix() for p in _files("host_tools"))]
)
def test_modules_are_small_and_say_what_they_are(file: str) -> None:
    """A module fits in a head: a docstring at the top, at most 450 lines."""
    text = (ROOT / file).read_text("utf-8")
    assert ast.get_docstring(ast.parse(text)), file
    assert text.count("\n") <= 450, file


@pytest.mark.parametrize("file", [p.relative_to(ROOT).as_posix() for p in _files("host_tools")])
def test_texts_reach_a_terminal_by_one_way(file: str) -> None:
    """Only there is made printable whatever an input has put into them."""
    used = {ast.unparse(node.func) for node in ast.walk(ast.parse((ROOT / file).read_text("utf-8")))
            if isinstance(node, ast.Call)}
    ways = {"print", "click.echo", "click.secho", "click.echo_via_pager", "sys.stdout.write",
            "sys.stderr.write", "sys.stdout.writelines", "json.dumps", "sys.stdout.buffer.write"}
    allowed = {"host_tools/terminal.py": {"click.echo", "json.dumps"},
               "host_tools/streams.py": {"sys.stdout.buffer.write"}}
    assert used & ways == allowed.get(file, set())
