"""No name in a schema clashes with one of the harness."""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files

import pytest

from paramstore.core.errors import SourceText
from paramstore.firmware.spelling import FORMED, reserved
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.schema.identifiers import name_problem
from paramstore.schema.reader import read_schema
from paramstore.verify.cuts.build import build_library, harness_texts
from paramstore.verify.cuts.explorer import ExploreJob, Explorer
from paramstore.verify.cuts.pictures import make_pictures
from paramstore.verify.cuts.results import Start
from paramstore.verify.rig.native import NativeTarget
from tests.firmware.builds import example_plan
from tests.verify.cuts.harnesses import fresh_folder

STORES = ("part", "part_trace", "oracle", "cuts", "fault", "op", "most")
"""Each made a name of the harness while that had small types and macros in capitals."""
A_GROUP = 60


def code(text: str) -> str:
    """C without comments, strings and headers in angle brackets."""
    bare = re.sub(r"/\*.*?\*/", " ", text, flags=re.DOTALL)
    return re.sub(r'"(?:\\.|[^"\\])*"|<\w+\.h>', " ", bare)


@cache
def identifiers() -> tuple[str, ...]:
    """Every identifier of every C file of the harness, and of its configuration as it is before
    anything of a schema is in it."""
    folder = files("paramstore.verify.cuts") / "harness"
    plan = example_plan("minimal")
    config = re.sub(r"(#define \w+).*", r"\1",
                    harness_texts(plan, make_pictures(plan))["cuts_config.h"])
    texts = [config, *(e.read_text("utf-8") for e in folder.iterdir()
                       if e.name.endswith((".c", ".h")))]
    return tuple(sorted({word for text in texts
                         for word in re.findall(r"\b[A-Za-z_]\w*\b", code(text))}))


def test_no_identifier_can_be_made_from_a_schema() -> None:
    """None has the form of what a header is generated with, but for those that the generator
    refuses: of the language, of standard headers, of the runtime."""
    assert len(identifiers()) > 600
    assert {"Part_t", "Oracle_GOOD", "Cuts_PAGE"} < set(identifiers())
    assert [] == [word for word in identifiers()
                  if re.fullmatch(FORMED, word) and not reserved(word)]


def plan_named(store: str) -> Plan:
    """A store whose groups and parameters have the names of all identifiers that are names."""
    names = [word.lower() for word in identifiers()]
    usable = [n for n in dict.fromkeys(names) if name_problem("parameter", n) is None]
    lines = ["[store]", f'name = "{store}"', 'part = "24LC512"']
    groups = [n for n in usable if len(n) < 20][::len(usable) * A_GROUP // len(usable)]
    for at, group in enumerate(groups):
        lines += [f"[group.{group}]", 'role = "setting"', 'writes = "1 per month"',
                  f"[group.{group}.parameter]"]
        lines += [f'{n} = {{ type = "u8" }}' for n in usable[at::len(groups)]]
    return make_plan(read_schema(SourceText("demo.toml", "\n".join(lines) + "\n"))[0])


@pytest.mark.parametrize("store", STORES)
def test_the_harness_compiles(store: str) -> None:
    """A store, groups and parameters named after all of them: it compiles, and boots."""
    plan = plan_named(store)
    pictures = make_pictures(plan)
    library = build_library(plan, pictures, fresh_folder(), flags=("-O0",))
    totals = Explorer(plan, pictures, NativeTarget(library)).run(ExploreJob(Start(), 1, 0, (0,)))
    assert (1, 0) == (totals.histories.total, totals.violation_count)
