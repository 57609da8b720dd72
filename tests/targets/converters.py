"""The conversions of a generated header, found in its text, and the C that calls each by number."""

from __future__ import annotations

import re
from typing import NamedTuple

from paramstore.layout.plan import Plan

__all__ = ["Conversion", "conversions_in", "conversions_text"]

_CODES = {"float": "f", "double": "d", **{
    f"{sign}int{8 * size}_t": code.upper() if sign else code
    for size, code in ((1, "b"), (2, "h"), (4, "i"), (8, "q")) for sign in ("", "u")}}
_FORTH = re.compile(r"(\w+) (\w+_(?:decimal|physical)_\w+)\((\w+) raw\)$", re.MULTILINE)
_BACK = re.compile(r"ps_status_t (\w+_(?:raw_of_decimal|raw)_\w+)\((\w+) (?:decimal|physical), "
                   r"(\w+) \*raw\)$", re.MULTILINE)
KEPT = 77
"""What a refused conversion leaves alone."""


class Conversion(NamedTuple):
    """A function: its C types as they stand in the header."""

    name: str
    given_type: str
    result_type: str
    back: bool

    @property
    def given(self) -> str:
        """The type of the argument, as `struct` has it."""
        return _CODES[self.given_type]

    @property
    def result(self) -> str:
        """The type of the result, as `struct` has it."""
        return _CODES[self.result_type]

    @property
    def double(self) -> bool:
        """Whether there is none where `double` has 4 bytes."""
        return "double" in (self.given_type, self.result_type)


def conversions_in(header: str) -> list[Conversion]:
    """Return every conversion that a header has."""
    text = re.sub(r"static inline ", "", header)
    return [*(Conversion(m[2], m[3], m[1], False) for m in _FORTH.finditer(text)),
            *(Conversion(m[1], m[2], m[3], True) for m in _BACK.finditer(text))]


def conversions_text(plan: Plan, header: str) -> str:
    """Return the table of the monitor."""
    functions, rows = [], []
    for i, c in enumerate(conversions_in(header)):
        body = (f"    status = (uint8_t){c.name}(from, &to);\n" if c.back
                else f"    to = {c.name}(from);\n")
        text = (f"static uint8_t run{i}(const uint8_t *in, uint8_t *out)\n{{\n"
                f"    {c.given_type} from;\n    {c.result_type} to = {KEPT};\n"
                f"    uint8_t status = 0;\n    memcpy(&from, in, sizeof from);\n{body}"
                f"    memcpy(out, &to, sizeof to);\n    return status;\n}}\n")
        row = f"    {{run{i}, sizeof({c.given_type}), sizeof({c.result_type})}},\n"
        if c.double:
            text = f"#if DBL_MANT_DIG >= 53\n{text}#endif\n"
            row = f"#if DBL_MANT_DIG >= 53\n{row}#else\n    {{0, 0, 0}},\n#endif\n"
        functions.append(text)
        rows.append(row)
    return (f'#include "monitor.h"\n#include "{plan.schema.name}_params.h"\n#include <float.h>\n'
            f"#include <string.h>\n{''.join(functions)}"
            f"const monitor_conversion_t monitor_conversions[] = {{\n{''.join(rows)}"
            "    {0, 0, 0}\n};\n")
