"""The documents run: every command they show is tried, and prints what they say."""

from __future__ import annotations

import ast
import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from host_tools.main import main
from paramstore.verify.rig.toolchain import find_compiler

ROOT = Path(__file__).parent.parent
DOCUMENTS = ("README.md", "DEVELOPERS.md", "paramstore/firmware/PORTING.md", "paramstore/FORMAT.md",
             "paramstore/SCHEMA.md", "paramstore/PRODUCTION.md")
"""Documents whose commands run each by itself; those of GUIDE.md run in a row."""


def _console_blocks(document: str) -> Iterator[tuple[str, str]]:
    """Yield (command, output shown below it) of every console block, without the `$ `."""
    text = (ROOT / document).read_text("utf-8")
    for block in re.findall(r"^```console\n(.*?)^```$", text, re.MULTILINE | re.DOTALL):
        for chunk in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, output = chunk.partition("\n")
            yield command, output


def _ours(command: str) -> str:
    """The last part of a line if that is our command, also where it begins with a folder."""
    last = command.split(" && ")[-1].removeprefix(".venv/bin/")
    return last if last.startswith("paramstore ") else ""


COMMANDS = [
    (document, _ours(command), output)
    for document in DOCUMENTS
    for command, output in _console_blocks(document)
    if _ours(command)
]


def _matches(shown: str, printed: str) -> bool:
    """Whether `printed` is what is shown, where a line `...` stands for any lines."""
    pattern = "".join(
        r"(?:.*\n)*?" if line == "..." else re.escape(line) + r"[ ]*\n"
        for line in shown.rstrip("\n").split("\n")
    )
    return re.fullmatch(pattern, printed.rstrip("\n") + "\n") is not None


@pytest.mark.parametrize(("document", "command", "shown"), COMMANDS,
                         ids=[f"{d}: {c}" for d, c, _ in COMMANDS])
def test_command_prints_what_is_shown(document: str, command: str, shown: str, tmp_path: Path,
                                      monkeypatch: pytest.MonkeyPatch) -> None:
    """A command of a document runs, and prints what the document shows."""
    for folder in ("schemas", "tests/corpus/schemas"):
        shutil.copytree(ROOT / folder, tmp_path / folder)
    monkeypatch.chdir(tmp_path)
    before = COMMANDS[:COMMANDS.index((document, command, shown))]
    setup = [c for d, c, _ in before if d == document and " -o " in c]
    for earlier in setup:
        assert CliRunner().invoke(main, shlex.split(earlier)[1:]).exit_code == 0
    result = CliRunner().invoke(main, shlex.split(command)[1:])
    assert result.exit_code in (0, 1), result.output
    if shown:
        assert _matches(shown, result.output), f"shown:\n{shown}\nprinted:\n{result.output}"
    else:
        assert result.exit_code == 0, result.output


def test_the_guide_leads_from_an_empty_folder_to_a_unit(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Files and commands of GUIDE.md in their order, in one folder; each prints what is shown."""
    monkeypatch.chdir(tmp_path)
    text = (ROOT / "paramstore/GUIDE.md").read_text("utf-8")
    ran = 0
    for head, body in re.findall(r"^```(\w+[^\n]*)\n(.*?)^```$", text, re.M | re.S):
        form, *name = head.split()
        if form == "console":
            for chunk in re.split(r"^\$ ", body, flags=re.M)[1:]:
                command, _, shown = chunk.partition("\n")
                _follow(shlex.split(command), shown)
                ran += 1
        elif name:
            with Path(name[0]).open("a" if name[1:] else "w", encoding="utf-8") as file:
                file.write(body)
    assert ran > 12 and {"plan.svg", "errors.svg", "dump.svg"} <= {p.name for p in
                                                                   tmp_path.iterdir()}


def _follow(words: list[str], shown: str) -> None:
    """Do what one line of the guide says."""
    if words[0] == "cc":
        output = Path("out.so")
        find_compiler().library([Path(w) for w in words if w.endswith(".c")], output,
                                tuple(w for w in words if w.startswith("-std")))
        return
    result = CliRunner().invoke(main, words[1:])
    assert result.exit_code in (0, 1), result.output
    assert result.exception is None or isinstance(result.exception, SystemExit), words
    if shown:
        assert _matches(shown, result.output), f"shown:\n{shown}\nprinted:\n{result.output}"


def test_documents_show_commands() -> None:
    """The pattern that finds commands still finds them."""
    assert len(COMMANDS) >= 5


@pytest.mark.parametrize("document", [*DOCUMENTS, "paramstore/GUIDE.md"])
def test_paths_in_documents_exist(document: str) -> None:
    """A path that a document links to or names in backticks is there."""
    text = (ROOT / document).read_text("utf-8")
    links = re.findall(r"\]\((?!http)([^)#]+)\)", text)
    here = (ROOT / document).parent
    assert [p for p in links if not (here / p).exists()] == []
    named = re.findall(r"`((?:paramstore|schemas|tests|host_tools)/[\w./]+)`", text)
    assert [p for p in named if not (ROOT / p).exists()] == []


def test_modules_that_contributors_are_sent_to_exist() -> None:
    """A file or folder that DEVELOPERS.md names is there, wherever its path begins."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    named = set(re.findall(r"`([\w/]+\.(?:py|toml|c|h|json|md)|\w+/[\w/]*)`", text))
    there = {f"/{p.relative_to(ROOT)}" for top in ("paramstore", "host_tools", "tests")
             for p in (ROOT / top).glob("**/*")} | {f"/{p.name}" for p in ROOT.iterdir()}
    assert len(named) > 30
    assert [n for n in named if not any(p.endswith(f"/{n.rstrip('/')}") for p in there)] == []


def _names(module: Path) -> Iterator[str]:
    """Yield the dotted names in backticks of a module's docstrings."""
    for node in ast.walk(ast.parse(module.read_text("utf-8"))):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
            yield from re.findall(r"`((?:\w+\.)+\w+)`", ast.get_docstring(node) or "")


def _leads_somewhere(name: str) -> bool:
    """Return whether a name that begins with a package is one of its modules, or stands in it."""
    place, parts = ROOT / "paramstore", name.split(".")
    while parts and (place / parts[0]).is_dir():
        place /= parts.pop(0)
    if not parts:
        return True
    module = place / f"{parts[0]}.py"
    return module.exists() and all(
        re.search(rf"\b{part}\b", module.read_text("utf-8")) for part in parts[1:])


def test_docstrings_name_what_exists() -> None:
    """A name that begins with a package, as `files.forms.read_dump`, leads to what it says."""
    packages = {p.parent.name for p in (ROOT / "paramstore").glob("*/__init__.py")}
    named = [(path.relative_to(ROOT).as_posix(), name) for top in ("paramstore", "host_tools")
             for path in (ROOT / top).glob("**/*.py") for name in _names(path)
             if name.partition(".")[0] in packages]
    assert len(named) > 10
    assert [] == [(path, name) for path, name in named if not _leads_somewhere(name)]


def test_every_package_is_described() -> None:
    """DEVELOPERS.md has a row for each package of the library."""
    packages = {p.parent.name for p in (ROOT / "paramstore").glob("*/__init__.py")}
    rows = set(re.findall(r"^\| `(\w+)`", (ROOT / "DEVELOPERS.md").read_text("utf-8"),
                          re.MULTILINE))
    assert packages - rows == set()


def test_the_ci_line_is_in_the_readme() -> None:
    """`.ci/run` takes the test line from the README; there is exactly one."""
    lines = re.findall(r"^\$ (.*pytest.*)$", (ROOT / "README.md").read_text("utf-8"), re.MULTILINE)
    assert len(lines) == 1
