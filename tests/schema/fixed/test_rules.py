"""Rules between groups: each mistake is told once, and none hides another."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import Finding, FindingsError, Severity, SourceText
from paramstore.schema.bits import Bits
from paramstore.schema.fixed.model import Condition, Relation
from paramstore.schema.fixed.reader import read_layout
from paramstore.schema.fixed.rules import MAX_ITEMS, exclusive, extent_of, place_of

HEAD = '[fixed]\nname = "demo"\nsize = 32\n'


def found(text: str, head: str = HEAD) -> tuple[Finding, ...]:
    with pytest.raises(FindingsError) as caught:
        read_layout(SourceText("demo.toml", head + text))
    return caught.value.findings


def codes(text: str) -> list[str]:
    return sorted(f.code for f in found(text))


# ---- Bits ---------------------------------------------------------------------------------------


@given(st.data())
def test_bits_have_one_meaning(data: st.DataObject) -> None:
    """Two parameters in one byte may lie beside each other, and share none of its bits."""
    ends = [sorted((data.draw(st.integers(0, 7)), data.draw(st.integers(0, 7)))) for _ in "ab"]
    text = "[group.g.parameter]\n" + "".join(
        f'{name} = {{ type = "u8", bits = ["3.{high}-{low}"] }}\n'
        for name, (low, high) in zip("ab", ends, strict=True))
    (one, two) = (set(range(low, high + 1)) for low, high in ends)
    if one & two:
        (finding,) = found(text)
        assert "PS351" == finding.code
        assert finding.message.startswith("`g.b` and `g.a` share bits of 0x0003")
        assert () == finding.notes
    else:
        read_layout(SourceText("demo.toml", HEAD + text))


def test_an_array_has_its_bits_once() -> None:
    """Elements that lie closer than they are long share bytes with each other."""
    (finding,) = found('[group.g.parameter]\na = { type = "u16", at = 0, count = 3, every = 1 }\n')
    assert "`g.a` has bits of 0x0001 twice" == finding.message


CONDITIONS = st.builds(
    lambda low, width, number, relation: Condition((Bits(0, low, width),), number % (1 << width),
                                                   relation),
    st.integers(0, 3), st.integers(1, 2), st.integers(0, 3), st.sampled_from(Relation))


@given(CONDITIONS, CONDITIONS)
def test_what_excludes_each_other_never_holds_at_once(one: Condition, two: Condition) -> None:
    """Tried with every byte. If one of them is for one value, both ways; and in either order."""
    both = any(one.holds(bytes([byte])) and two.holds(bytes([byte])) for byte in range(256))
    said = exclusive(one, two)
    assert said == exclusive(two, one)
    assert not (said and both)
    if Relation.IS in (one.relation, two.relation):
        assert said != both
    assert not exclusive(one, None) and not exclusive(None, one)


def test_a_note_tells_of_conditions() -> None:
    """Where one of two groups that share bits has one."""
    when = "when = { bits = ['9'], is = 1 }\n"
    text = ("[group.a]\nWHEN[group.a.parameter]\nx = { type = 'u8', at = 0 }\n"
            "[group.b.parameter]\ny = { type = 'u8', at = 0 }\n")
    for condition, told in (("", False), (when, True)):
        (finding,) = found(text.replace("WHEN", condition))
        assert told == ("by their `when` both groups can be there at the same time"
                        in finding.notes)
        assert finding.also[0][0].line < finding.span.line if finding.span else False


def test_where_a_group_lies() -> None:
    """With what its checksums cover, and without."""
    layout, _ = read_layout(SourceText("demo.toml", HEAD + """
[group.g]
at = 4
[group.g.parameter]
a = { type = "u16", at = 6 }
[group.g.check]
sum = { type = "sum", over = ["0-9"], at = 11 }
"""))
    assert ((10, 15), (4, 15)) == (place_of(layout.groups[0]), extent_of(layout.groups[0]))


def test_as_many_parameters_as_a_layout_may_have() -> None:
    """Blocks and checksums count."""
    def text(lines: int) -> str:
        parameters = "".join(f"p{n} = {{ type = 'u8', at = {n} }}\n" for n in range(lines - 1))
        return (f"[group.g]\ncount = 1000\nevery = 32\n[group.g.parameter]\n{parameters}"
                "[group.g.check]\nsum = { type = 'sum', over = ['0'], at = 31 }\n")

    head = HEAD.replace("32", "32000")
    assert 1000 * 20 == MAX_ITEMS
    read_layout(SourceText("demo.toml", head + text(20)))
    (finding,) = found(text(21), head)
    assert ("PS355", "the layout has more than 20000 parameters") == (
        finding.code, finding.message)


# ---- Names, scales, targets ---------------------------------------------------------------------


def test_blocks_have_names_of_their_own() -> None:
    """One is called as another group is: the second is marked, the first beside it."""
    (finding,) = found("""
[group.ch]
count = 2
every = 2
[group.ch.parameter]
a = { type = "u8", at = 0 }
[group.ch_1.parameter]
b = { type = "u8", at = 8 }
""")
    assert "two groups are called `ch_1`" == finding.message
    ((first, _),) = finding.also
    assert finding.span is not None
    assert (5, 10) == (first.line, finding.span.line)


@pytest.mark.parametrize(("source", "message", "help", "also"), [
    ("powre", "there is no parameter `powre`", "did you mean `power`?", None),
    ("head.powr", "there is no parameter `head.powr`", "did you mean `head.power`", None),
    ("zzzzz", "there is no parameter `zzzzz`",
     "name one of the same group, or of a group with one block", None),
    ("vv", "`vv` cannot be a scale", "name a number that is no array", 9),
    ("word", "`word` cannot be a scale", "name a number that is no array", 10),
    ("list", "`list` cannot be a scale", "name a number that is no array", 11),
])
def test_a_scale_that_cannot_be_one(
    source: str, message: str, help: str, also: int | None
) -> None:
    """Is answered with a name that is meant, or shown where it stands."""
    (finding,) = found(f"""
[group.head.parameter]
power = {{ type = "i8", at = 0 }}
[group.g.parameter]
power = {{ type = "i8", at = 2 }}
vv = {{ type = "u8", at = 3, scale_from = "power" }}
word = {{ type = "text", size = 2, at = 4 }}
list = {{ type = "u8", at = 6, count = 2 }}
value = {{ type = "u8", at = 1, scale_from = "{source}" }}
""")
    assert ("PS365", message) == (finding.code, finding.message)
    assert finding.help.startswith(help)
    assert [also] * (also is not None) == [span.line for span, _ in finding.also]
    assert finding.span is not None and 12 == finding.span.line


TWO = """
[group.a]
WHEN_A
[group.a.parameter]
one = { type = "u8", at = 0, to = "s.x" }
[group.b]
WHEN_B
[group.b.parameter]
two = { type = "u8", at = 1, to = "s.x" }
"""


@pytest.mark.parametrize(("a", "b", "clash"), [
    ("", "", True), ("when = { bits = ['9'], is = 1 }", "", True),
    ("when = { bits = ['9'], is = 1 }", "when = { bits = ['9'], is = 2 }", False)])
def test_two_values_for_one_place(a: str, b: str, clash: bool) -> None:
    """Are a mistake if both can be there; the other one is shown."""
    text = TWO.replace("WHEN_A", a).replace("WHEN_B", b)
    if not clash:
        read_layout(SourceText("demo.toml", HEAD + text))
        return
    (finding,) = found(text)
    assert ("PS361", "two values go to `s.x` of a store") == (finding.code, finding.message)
    at = 'one = { type = "u8", at = 0, to = "s.x" }'.index('"s.x"') + 1
    assert [(8, at)] == [(span.line, span.column) for span, _ in finding.also]
    assert finding.span is not None and (12, at) == (finding.span.line, finding.span.column)


def test_values_of_the_same_name_go_to_two_places() -> None:
    """Each to that of its own group, or to where `to` says, or nowhere."""
    read_layout(SourceText("demo.toml", HEAD + """
[group.a.parameter]
x = { type = "u8", at = 0 }
y = { type = "u8", at = 1, to = "b.z" }
w = { type = "u8", at = 2, to = "" }
[group.b.parameter]
x = { type = "u8", at = 3 }
y = { type = "u8", at = 4 }
w = { type = "u8", at = 5, to = "" }
"""))
    (finding,) = found("""
[group.a.parameter]
x = { type = "u8", at = 0 }
y = { type = "u8", at = 1, to = "a.x" }
""")
    assert "two values go to `a.x` of a store" == finding.message


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
