"""Compiled templates are kept beside byte code, and never change what a template gives."""

from __future__ import annotations

import sys
from itertools import count
from pathlib import Path

import jinja2
import pytest

from paramstore.core.templates import template_environment

NUMBERS = count()


class Package:
    """A package with one template, its byte code under a folder of the test."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.name = f"invented_{next(NUMBERS)}"
        self.template = folder / self.name / "templates" / "page.txt.in"
        self.template.parent.mkdir(parents=True)
        (folder / self.name / "__init__.py").touch()
        self.template.write_text("{{ who }} has {{ what }}", "utf-8")
        self.kept = folder / "byte code"
        monkeypatch.syspath_prepend(folder)
        monkeypatch.setattr(sys, "dont_write_bytecode", False)
        monkeypatch.setattr(sys, "pycache_prefix", str(self.kept))

    def render(self) -> str:
        """Load the template anew and fill it in."""
        template = template_environment(self.name).get_template("page.txt.in")
        return template.render(who="a < b", what="1")

    def files(self) -> list[Path]:
        """The byte code of templates that is kept."""
        return [p for p in self.kept.rglob("page*") if p.is_file()]


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Package:
    return Package(tmp_path, monkeypatch)


def test_a_template_is_compiled_once(package: Package, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second time nothing is compiled, and the text is the same."""
    assert "a < b has 1" == package.render()
    (kept,) = package.files()
    assert kept.suffix == ".pyc"

    def fail(*_: object, **__: object) -> None:
        raise AssertionError("compiled again")

    monkeypatch.setattr(jinja2.Environment, "_generate", fail)
    assert "a < b has 1" == package.render()


def test_another_template_is_compiled(package: Package) -> None:
    """What was kept of an earlier text of a template is not used."""
    package.render()
    package.template.write_text("{{ what }}, says {{ who }}", "utf-8")
    assert "1, says a < b" == package.render()


def test_another_environment_compiles_anew(package: Package) -> None:
    """What was kept of plain text does not let markup through where there is HTML."""
    package.render()
    environment = template_environment(package.name, html=lambda value: value)
    assert "a &lt; b has 1" == environment.get_template("page.txt.in").render(who="a < b", what="1")


@pytest.mark.parametrize("damage", [b"", b"\0" * 40, b"cut", None])
def test_damaged_byte_code_is_made_anew(package: Package, damage: bytes | None) -> None:
    """Whatever stands in the file: the template is compiled, and the file is mended."""
    package.render()
    (kept,) = package.files()
    sound = kept.read_bytes()
    kept.write_bytes(sound[:-9] if damage is None else damage)
    assert "a < b has 1" == package.render()
    assert sound == kept.read_bytes()


def test_nothing_is_kept_where_byte_code_is_not_wanted(
    package: Package, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As with modules: PYTHONDONTWRITEBYTECODE leaves no files."""
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert "a < b has 1" == package.render()
    assert [] == package.files()


def test_a_folder_that_cannot_be_written_is_left_alone(package: Package) -> None:
    """Quietly: what was asked for is there all the same."""
    package.kept.write_text("a file where the folder would be", "utf-8")
    assert "a < b has 1" == package.render()
    assert "a file where the folder would be" == package.kept.read_text("utf-8")


def test_what_is_missing_is_an_error(package: Package) -> None:
    """A template never leaves a gap."""
    package.template.write_text("{{ nobody }}", "utf-8")
    with pytest.raises(jinja2.UndefinedError):
        package.render()
