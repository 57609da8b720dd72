"""Sound texts, and texts made from them that mostly are not."""

from __future__ import annotations

import random
import re
from functools import lru_cache

from tests.programs.fuzzing import arbitrary_schema, damage

__all__ = ["DEFAULTS", "DEMO", "TABLE", "VALUES", "text_like"]

DEMO = """\
[store]
name = "demo"
doc = "invented"
part = "24LC04B"
[group.settings]
role = "setting"
writes = "1 per day"
[group.settings.parameter]
level = { type = "i16", unit = "degC", scale = 0.1, min = -40, max = 125, default = 6 }
gain = { type = "f32", unit = "mV/pH", default = 1.5 }
count = { type = "u32", default = 7 }
mode = { type = "enum", members = ["off", "auto"] }
quiet = { type = "bool" }
name = { type = "text", size = 10, default = "pump" }
steps = { type = "u8", count = 2, unit = "%", default = [1, 2] }
lift = { type = "curve", points = 2, x = { type = "u8", unit = "V" }, y = { type = "i8" }, \
default = [[0, 0], [1, 2]] }
"""
VALUES = """\
[settings]
level = 21.5
gain = -3.25
count = 100000
mode = "auto"
quiet = true
name = "Süd"
steps = [3, 4]
lift = [[1, -5], [9, 5]]
"""
TABLE = """\
identity.serial,identity.board,trim.flow [ml/turn],trim.zero [uV],settings.label,settings.quiet
A-001,1,2.5,-12.5,pump,true
A-002,2,0.75,0,"a, b",false
A-003,9,8.5,499.9,"",true
"""
DEFAULTS = """\
[settings]
level = 6
gain = 1.5
count = 7
mode = "off"
quiet = false
name = "pump"
steps = [1, 2]
lift = [[0, 0], [1, 2]]
"""
_HOSTILE = tuple(c.encode() for c in (
    "\x1b[2J", "\x1b[37m", "\x1b]0;x\x07", "\x9b2J", "\u202e", "\u2028", "\x07", "\r", "\x08",
    "\x0b", "\x85", "\ufeff", "\u2066", "\\u001b[2J", "\\n", "\\u009b", "\\u202e",
    "\\r\\n[settings]\\nquiet = 1",
    "=1+1", "'", '"', "../../x", "%n", "{0}", "{serial}", "<script>", "`", "\\", "$(x)"))


def text_like(chance: random.Random, sound: bytes) -> bytes:
    """Return a text with values, lines or letters changed."""
    if chance.randrange(8) == 0:
        return arbitrary_schema(chance, [sound])
    if chance.randrange(2):
        return _mild(chance, sound)
    data = bytearray(sound)
    for _ in range(chance.choice((1, 1, 2, 4))):
        match chance.randrange(4):
            case 0:
                damage(chance, data, [sound])
            case 1:  # where a text or a cell begins or ends
                at = chance.choice(_spans(rb'["\',=\[\n]', bytes(data)))[0] + chance.randrange(2)
                data[at:at] = chance.choice(_HOSTILE)
            case 2:  # another number
                at, end = chance.choice(_spans(rb"-?\d+(\.\d+)?", bytes(data)))
                data[at:end] = chance.choice((b"0", b"-1", b"255", b"256", b"1e3", b"0.05", b"3,5",
                                              b"12.", b"1_0", b"0x10", b"nan", b"99999999999999",
                                              b"%d" % chance.randrange(-999, 999)))
            case _:
                data += chance.choice(_HOSTILE)
    return bytes(data)


def _mild(chance: random.Random, sound: bytes) -> bytes:
    """Return a text that is mostly still sound: numbers changed a little, lines out or in another
    order, something behind a line or in a text."""
    data = bytearray(sound)
    for _ in range(chance.choice((1, 1, 2, 3))):
        match chance.randrange(5):
            case 0 | 1:
                at, end = chance.choice(_spans(rb"\d+(\.\d+)?", bytes(data)))
                data[at:end] = chance.choice((b"0", b"1", b"2", b"12", b"12.0", b"1.25", b"0.05",
                                              b"2e1", b"1_2", b"%d" % chance.randrange(200)))
            case 2:
                lines = data.split(b"\n")
                at = chance.randrange(len(lines))
                lines.insert(chance.randrange(len(lines)), lines.pop(at))
                data = bytearray(b"\n".join(lines))
            case 3:
                lines = data.split(b"\n")
                lines[chance.randrange(len(lines))] += b"  # " + chance.choice(_HOSTILE)
                data = bytearray(b"\n".join(lines))
            case _:
                _, at = chance.choice(_spans(rb'"\w', bytes(data)))
                data[at:at] = chance.choice((*_HOSTILE, b"a", b" ", "µ".encode()))
    return bytes(data)


@lru_cache(maxsize=100)
def _spans(pattern: bytes, text: bytes) -> list[tuple[int, int]]:
    """Return where a pattern is in a text; the very beginning if it is nowhere. Most often the text
    is a sound one, as it came."""
    return [m.span() for m in re.finditer(pattern, text)] or [(0, 0)]
