"""A key that is misspelt is told, wherever it stands, in each of the project's languages."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from paramstore.calibrate.recipe_reader import read_recipe
from paramstore.core.errors import FindingsError, SourceText
from paramstore.image.values import read_values
from paramstore.schema.fixed.reader import read_layout
from paramstore.schema.reader import load_schema, read_schema

SCHEMAS = Path(__file__).parents[1] / "schemas"
TANK_PROBE, _ = load_schema(SCHEMAS / "tank_probe.toml")

READERS: dict[str, Callable[[SourceText], object]] = {
    "tank_probe.toml": read_schema,
    "tank_probe.fixed.toml": read_layout,
    "tank_probe.calibration.toml": lambda source: read_recipe(TANK_PROBE, source),
    "tank_probe.values.toml": lambda source: read_values(TANK_PROBE, source),
}
_KEY = re.compile(r"(?m)(?:^|[{,]\s*)([a-z_]+)(?= = )|(?<=[\[.])([a-z_]+)(?=[.\]])")


def misspelt(text: str) -> Iterator[tuple[str, str]]:
    """Yield each key and the text with it misspelt, of keys that come up often three times."""
    found: dict[str, list[int]] = {}
    for key in _KEY.finditer(text):
        found.setdefault(key[1] or key[2], []).append(key.end())
    for name, ends in found.items():
        for end in {ends[0], ends[len(ends) // 2], ends[-1]}:
            yield name, text[:end] + name[-1] + text[end:]
            yield name, text[:end - len(name)] + name.upper() + text[end:]


@pytest.mark.parametrize("name", READERS)
def test_it_is_a_finding(name: str) -> None:
    """Or the name of something new; what was meant by it is neither used nor asked for."""
    text = (SCHEMAS / name).read_text("utf-8")
    READERS[name](SourceText(name, text))
    told = 0
    for key, wrong in misspelt(text):
        try:
            READERS[name](SourceText(name, wrong))
        except FindingsError as error:
            told += 1
            assert error.findings and all(f.message for f in error.findings), key
        except Exception as error:
            raise AssertionError(f"`{key}` misspelt in {name}") from error
    assert told > 10
