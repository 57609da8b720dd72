"""The house: which package may import which, and which package alone may use a library."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


def _rows() -> list[list[str]]:
    """Return the rows of the drawing in DEVELOPERS.md, from the top down."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    drawing = text.split("```text\n", 1)[1].split("```", 1)[0]
    return [line.split("|")[0].split() for line in drawing.splitlines() if "|" in line]


ROWS = _rows()
LEVEL = {package: level for level, row in enumerate(reversed(ROWS)) for package in row}
"""How far up in the drawing a package stands; it may use what stands lower."""

FENCES = {
    # library: the only files that may import it
    "crcmod": ("paramstore/core/checksum.py",),
    "tree_sitter": ("paramstore/located/source.py", "paramstore/located/syntax.py"),
    "tree_sitter_toml": ("paramstore/located/source.py", "paramstore/located/syntax.py"),
    "bincopy": ("paramstore/files/",),
    "construct": ("paramstore/record/",),
    "jinja2": ("paramstore/core/templates.py",),
    "numpy": ("paramstore/calibrate/", "paramstore/production/bulk.py",
              "paramstore/production/columnar.py", "paramstore/production/numbers.py"),
    "scipy": ("paramstore/calibrate/",),
    "smbus2": ("paramstore/bus/i2cdev.py",),
    "sqlite3": ("paramstore/production/database.py",),
    "click": ("host_tools/",),
    "ctypes": ("paramstore/verify/rig/",),
    "subprocess": ("paramstore/verify/rig/",),
    "unicorn": ("paramstore/verify/rig/emulated.py",),
    "elftools": ("paramstore/verify/rig/emulated.py",),
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


def _package(module: str) -> str:
    """Return the package of `paramstore.PACKAGE.x`, or the root module's name."""
    return module.split(".")[1] if "." in module else ""


LIBRARY = [p.relative_to(ROOT).as_posix() for p in _files("paramstore")]


def test_every_package_is_in_the_drawing() -> None:
    """A new package needs a place in the order."""
    packages = {p.parent.name for p in (ROOT / "paramstore").glob("*/__init__.py")}
    assert packages | {"host_tools"} == set(LEVEL)
    assert len(LEVEL) == sum(map(len, ROWS))


@pytest.mark.parametrize("file", LIBRARY)
def test_imports_run_one_way(file: str) -> None:
    """A module imports only from packages that stand lower in the drawing than its own."""
    package = file.split("/")[1]
    if package == "__init__.py":
        assert not list(_imports(ROOT / file))
        return
    for module in _imports(ROOT / file):
        target = _package(module)
        if module.startswith("paramstore.") and target != package:
            assert LEVEL[target] < LEVEL[package], f"{file} imports {module}"


def test_every_row_of_the_drawing_is_needed() -> None:
    """A package stands just above the highest package that it uses: the drawing tells no order that
    the code does not have."""
    for package, level in LEVEL.items():
        if package == "host_tools":
            continue
        used = {_package(m) for p in _files(f"paramstore/{package}") for m in _imports(p)
                if m.startswith("paramstore.")} - {package}
        assert level == max((LEVEL[u] + 1 for u in used), default=0), package


def test_no_circle_among_modules() -> None:
    """Also inside a package, no module leads back to itself by its imports."""
    modules = {".".join(p.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): p
               for p in _files("paramstore")}
    uses = {name: {m for m in _imports(path) if m in modules and not name.startswith(f"{m}.")}
            - {name} for name, path in modules.items()}
    while uses:
        leaves = {name for name, used in uses.items() if not used & set(uses)}
        assert leaves, f"a circle among {sorted(uses)}"
        uses = {name: used for name, used in uses.items() if name not in leaves}


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
