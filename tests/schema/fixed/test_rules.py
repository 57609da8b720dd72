"""Rules between groups: each mistake is told once, and none hides another."""

from __future__ import annotations

import pytest

from paramstore.core.errors import FindingsError, Severity, SourceText
from paramstore.schema.fixed.reader import read_layout

HEAD = '[fixed]\nname = "demo"\nsize = 32\n'


def codes(text: str) -> list[str]:
    with pytest.raises(FindingsError) as caught:
        read_layout(SourceText("demo.toml", HEAD + text))
    return sorted(f.code for f in caught.value.findings)


def test_blocks_with_one_target_are_told_once() -> None:
    """Two values of each of three blocks that go to one array are one mistake, not three."""
    assert ["PS361"] == codes("""
[group.channel]
count = 3
every = 4
[group.channel.parameter]
gain = { type = "u16", at = 0, to = "settings.gain" }
trim = { type = "u16", at = 2, to = "settings.gain" }
""")


def test_overlap_is_told_beside_other_mistakes() -> None:
    """Two parameters that share bits are told although a checksum of their group is wrong."""
    assert ["PS351", "PS357"] == codes("""
[group.head.parameter]
one = { type = "u16", at = 0 }
two = { type = "u16", at = 1 }
[group.head.check]
sum = { type = "sum", over = ["0-8"], at = 8 }
""")


def test_a_sequence_number_without_a_checksum_is_a_warning() -> None:
    """A flipped bit of it would make an old copy the newest."""
    text = """
[group.settings]
count = 2
every = 8
copies = "number"
[group.settings.parameter]
number = { type = "u16", at = 0 }
level = { type = "u8", at = 2 }
[group.settings.check]
sum = { type = "sum", over = ["RANGE"], at = 3 }
"""
    assert () == read_layout(SourceText("demo.toml", HEAD + text.replace("RANGE", "0-2")))[1]
    (warning,) = read_layout(SourceText("demo.toml", HEAD + text.replace("RANGE", "1-2")))[1]
    assert ("PS366", Severity.WARNING) == (warning.code, warning.severity)
    assert "no checksum covers all of `number`" == warning.message
