"""Names in generated C stay clear of those that the language and its standard headers have."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from paramstore.core.errors import FindingsError
from paramstore.core.scalars import SCALARS
from paramstore.firmware.generate import generate
from paramstore.firmware.spelling import FORMED, reserved
from paramstore.layout.plan import Plan
from paramstore.schema.identifiers import name_problem
from paramstore.schema.model import Field, Group, Kind, Parameter, Role, Schema
from paramstore.verify.rig.toolchain import WARNINGS, Compiler
from tests.firmware.builds import EXAMPLES, example_plan, host_compilers, write_store
from tests.programs.taken_names import commands, headers, identifiers
from tests.record.plans import one, part, plan_of

CLASHES = (
    # Types that a store of that name would define again.
    *((store, "settings", "value") for store in (
        "timer", "mode", "key", "id", "off", "pid", "dev", "clockid", "fpos", "sig_atomic",
        "pthread", "locale", "socklen", "u_int8", "fpos64", "size", "uint8", "regex", "sigset")),
    ("pthread", "mutex", "value"),  # pthread_mutex_t
    ("sig", "atomic", "value"),  # sig_atomic_t
    ("mtx", "settings", "value"),  # mtx_init of <threads.h>
    ("sem", "settings", "value"),  # sem_init of <semaphore.h>
    ("sched", "priority", "max"),  # sched_get_priority_max of <sched.h>
    # Macros.
    ("rand", "max", "value"), ("exit", "failure", "value"), ("o", "rdonly", "value"),
    ("path", "max", "value"), ("clocks", "per", "sec"), ("mb", "len", "max"), ("m", "pi", "value"),
    ("eof", "a_", "value"),  # a name with `__`, which C++ keeps for compilers
    ("ps", "settings", "value"),
)


def plan_named(store: str, group: str, parameter: str) -> Plan:
    return plan_of(Schema(store, part(), (Group(group, 1, Role.SETTING, 1.0, (
        one(parameter, "u16", 0),)),)), (2,), (0,))


@pytest.mark.parametrize("names", CLASHES, ids="_".join)
def test_a_clash_with_a_standard_name_is_refused(names: tuple[str, str, str]) -> None:
    """PS701 says which name is taken, before a compiler does."""
    with pytest.raises(FindingsError) as caught:
        generate(plan_named(*names))
    assert all(f.code == "PS701" and "in C, which the language" in f.message
               for f in caught.value.findings)


@pytest.mark.parametrize("word", [
    "errno", "stdin", "unix", "linux", "i386", "st_mtime", "si_value", "h_errno", "sa_handler",
    "typeof", "nullptr", "constexpr", "co_await", "thread_local", "complex"])
def test_members_are_no_macros_and_no_keywords(word: str) -> None:
    """Names of parameters and groups stand alone, as members: macros in lower case would replace
    them, in one file and not in another."""
    problem = name_problem("parameter", word)
    assert problem is not None and problem.code == "PS109"


@pytest.fixture(scope="module")
def standard() -> set[str]:
    """Every identifier of the standard headers of the compilers that are here."""
    return set().union(*(identifiers(command) for command in commands()))


def test_the_list_of_taken_names_is_complete(standard: set[str]) -> None:
    """What headers here have, and the generator could form, is refused. If another version of a
    header brings names: `python -m tests.programs.taken_names --to ...` adds them."""
    formed = {name for name in standard if re.fullmatch(FORMED, name)}
    assert len(formed) > 1000
    assert set() == {name for name in formed if not reserved(name)}


def cuts(name: str) -> Iterator[tuple[str, str, str]]:
    """Store, group and parameter whose names together make `name`, or come near it."""
    words = name.lower().removesuffix("_t").split("_")
    words = [w for w in words if w and w[0].isalpha()]
    if len(words) > 1:
        yield words[0], words[1], "_".join(words[2:]) or "value"
        yield "_".join(words[:-1]), words[-1], words[-1]
    yield "unit", words[0] if words else "a", name.lower().strip("_")


def test_what_is_let_through_compiles_beside_all_headers(standard: set[str],
                                                         tmp_path: Path) -> None:
    """Stores, groups, parameters and members named with words of the standard headers, at random:
    refused by name, or compiled with every header included first. Also as C++."""
    chance, tried = random.Random(15), 0
    plain = sorted(n for n in standard if re.fullmatch("[A-Za-z][A-Za-z0-9_]*", n))
    chosen: list[tuple[str, str, str]] = []
    for name in chance.sample(plain, 900):
        for names in cuts(name):
            stores = [c[0] for c in chosen]  # which must not meet each other's names
            if any(name_problem("parameter", n) for n in names) or any(
                    f"{s}_".startswith(f"{names[0]}_") or f"{names[0]}_".startswith(f"{s}_")
                    for s in stores):
                continue
            tried += 1
            member = names[2].upper().lower()
            enum = Field("kind", Kind.ENUM, SCALARS["u8"], 1, (0,), members=((member, 0), ("b", 1)))
            plan = plan_of(Schema(names[0], part(), (Group(names[1], 1, Role.SETTING, 1.0, (
                one(names[2], "u16", 0), *([Parameter("kind", Kind.ENUM, (enum,))]
                                           if names[2] != "kind" else [])),),)), (2,), (0,))
            try:
                write_store(tmp_path, plan)
            except FindingsError as error:
                assert {"PS701"} == {f.code for f in error.findings}
                continue
            chosen.append(names)
    assert len(chosen) > 80 and tried > len(chosen)
    for command in commands():
        if "avr-gcc" in command:
            continue
        include = "".join(f"#include <{name}.h>\n" for name in headers(command))
        mine = "".join(f'#include "{names[0]}_params.h"\n' for names in chosen)
        source = tmp_path / "all.c"
        source.write_text(f"{include}{mine}int one;\n", "utf-8")
        Compiler(command[0], command).object(source, tmp_path / "all.o", ("-Wall", "-Werror"))


@pytest.mark.parametrize("name", EXAMPLES)
def test_examples_compile_beside_all_headers(name: str, tmp_path: Path) -> None:
    """C11 with every standard header included first, by every compiler here."""
    plan = example_plan(name)
    write_store(tmp_path, plan)
    for compiler in host_compilers():
        command = (*compiler.command, "-x", "c", "-std=c11")
        source = tmp_path / "all.c"
        source.write_text("".join(f"#include <{h}.h>\n" for h in headers(command))
                          + f'#include "{plan.schema.name}_params.h"\nint one;\n', "utf-8")
        compiler.object(source, tmp_path / "all.o", (*WARNINGS, "-std=c11", "-Wno-pedantic"))
