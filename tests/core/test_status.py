"""Status codes and flags are the same in C and in Python."""

import re
from pathlib import Path

import paramstore
from paramstore.core.status import Health, Status

HEADER = (Path(paramstore.__file__).parent / "firmware/runtime/paramstore.h").read_text("utf-8")


def test_statuses_are_those_of_the_header() -> None:
    """`ps_status_t` counts from 0 in the order of `Status`."""
    body = re.search(r"typedef enum ps_status \{(.*?)\} ps_status_t;", HEADER, re.DOTALL)
    assert body
    names = re.findall(r"PS_(\w+)(?: = 0)?,?\s*(?:/\*.*?\*/)?\s*$", body[1], re.MULTILINE)
    assert names == [status.name for status in Status]
    assert [status.value for status in Status] == list(range(len(names)))


def test_flags_are_those_of_the_header() -> None:
    """Each PS_HEALTH_ macro is a member of `Health` with the same bit."""
    macros = re.findall(r"#define PS_HEALTH_(\w+) (0x[0-9A-F]+)u", HEADER)
    assert {name: int(value, 16) for name, value in macros} == {h.name: h.value for h in Health}


def test_failures_begin_with_nack() -> None:
    """Below ERR_NACK nothing failed, from there on everything did."""
    assert [s for s in Status if s.failed] == [s for s in Status if s.name.startswith("ERR_")]
