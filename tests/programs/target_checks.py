"""The store as firmware of other processors, against the twin on this computer.

    python -m tests.programs.target_checks [--target NAME] [--json]

Runtime and generated C are compiled for an ATmega (16-bit int, 4-byte double), an ARM9 and a
big-endian PowerPC with the compilers that firmware is built with, and run in emulators. The EEPROM
is the simulated part, here: each transfer, wait and supply question, the bytes on the part, each
status, flag and value must be what the twin makes of the same calls; what the host decodes from
the part must be what the target serves; physical values must be the exact ones, and come back.
Exit code 1: something differs; 2: a tool is missing, or a program did not run.

It needs Debian's packages gcc-avr, avr-libc, libsimavr-dev, libelf-dev, gcc-arm-none-eabi,
libnewlib-arm-none-eabi, gcc-powerpc-linux-gnu, libc6-dev-powerpc-cross, qemu-user.
"""

from __future__ import annotations

import argparse
import json
import random
import tempfile
import time
import traceback
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from paramstore.core.disk import read_text
from paramstore.core.errors import ToolError
from paramstore.core.status import Status
from paramstore.layout.plan import Plan
from paramstore.releases.project import open_project
from paramstore.report.tables import Column, table
from tests.engines import PLANS
from tests.firmware.builds import EXAMPLES, SCHEMAS
from tests.firmware.conversions import ROWS, plan_with
from tests.targets.lives import (
    Counts,
    TargetEngines,
    convert_all,
    edges,
    migrate,
    random_calls,
)
from tests.targets.machines import TARGETS, Facts, RemoteMachine, Target, build

__all__ = ["Checked", "check_store", "main"]

CALLS = 150
CONVERSIONS = "conversions"
MUST_HEAR = (Status.OK, Status.FLAGGED, Status.BLANK, Status.OLDER, Status.ERR_LIMIT,
             Status.ERR_RULE, Status.ERR_LOCKED)


@dataclass(frozen=True)
class Store:
    """A store to build: a plan, and those of the earlier releases whose units it migrates."""

    name: str
    plan: Plan
    earlier: tuple[Plan, ...] = ()

    @property
    def has_f64(self) -> bool:
        """Whether values need a double of 8 bytes."""
        return any(f.scalar.name == "f64" for r in self.plan.rings for f in r.group.fields)


@dataclass(frozen=True)
class Checked:
    """What ran. `facts` is None where the compiler refused the store, as it must."""

    target: str
    store: str
    facts: Facts | None
    counts: Counts
    seconds: float


def stores() -> Iterator[Store]:
    """The examples, with their releases; parts with other addresses; many conversions."""
    for name in EXAMPLES:
        project = open_project(read_text(SCHEMAS / f"{name}.toml"))
        yield Store(name, project.plan, project.earlier(project.plan))
    yield Store("FORMAT.md", PLANS["FORMAT.md"])
    for part in ("24LC01B", "24LC16B"):
        yield Store(part, PLANS[part])
    yield Store(CONVERSIONS, plan_with(ROWS))


def check_store(target: Target, store: Store, calls: int = CALLS) -> Checked:
    """Run everything. AssertionError if something differs, ToolError if it did not run."""
    began, counts = time.monotonic(), Counts()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if target.float_double and store.has_f64:
            must_be_refused(target, store, folder)
            return Checked(target.name, store.name, None, counts, time.monotonic() - began)
        with RemoteMachine(target, store.plan, folder) as machine:
            def engines(image: bytes = b"") -> TargetEngines:
                return TargetEngines(store.plan, machine, counts, image)

            assert machine.facts.double_bytes == (4 if target.float_double else 8)
            edges(engines())
            migrate(engines, store.earlier, random.Random(1))
            random_calls(engines(), random.Random(2), calls)
            if store.name == CONVERSIONS:
                convert_all(machine, counts)
            return Checked(target.name, store.name, machine.facts, counts,
                           time.monotonic() - began)


def must_be_refused(target: Target, store: Store, folder: Path) -> None:
    """Values of 8 bytes do not fit into a double of 4: the build stops, and says so."""
    try:
        build(target, store.plan, folder)
    except ToolError as error:
        if f"{store.plan.schema.name}_needs_sizeof_double_8" in error.help:
            return
        raise
    raise AssertionError("built with a double of 4 bytes")


# ---- Telling ------------------------------------------------------------------------------------


def report(checked: Sequence[Checked]) -> list[str]:
    """What ran, as a table."""
    rows = []
    for c in checked:
        if c.facts is None:
            rows.append([c.target, c.store, *[""] * 9, f"{c.seconds:.1f}"])
            continue
        n = c.counts
        rows.append([c.target, c.store, str(c.facts.int_bytes), str(c.facts.double_bytes),
                     c.facts.words, *(f"{x:,}" for x in (
                         n.calls, n.transfers, n.bus_bytes, n.part_bytes, n.values,
                         n.conversions)), f"{c.seconds:.1f}"])
    refused = [c for c in checked if c.facts is None]
    return [
        *table([Column("target", right=False), Column("store", right=False), Column("int", "bytes"),
                Column("double", "bytes"), Column("order", right=False), Column("calls"),
                Column("transfers"), Column("bytes", "on the bus"), Column("bytes", "on parts"),
                Column("values"), Column("conversions"), Column("time", "s")], rows), "",
        *(f"{c.store} is refused for the {c.target} when it is compiled, as it must: its f64 "
          "values need a double of 8 bytes" for c in refused),
    ]


def as_data(checked: Checked) -> dict[str, Any]:
    """The same for --json."""
    facts, counts = checked.facts, checked.counts
    return {
        "target": checked.target, "store": checked.store,
        "facts": facts and {**facts._asdict(), "byte_order": facts.words},
        **{name: getattr(counts, name) for name in (
            "calls", "transfers", "bus_bytes", "part_bytes", "values", "conversions")},
        "said": {status.name: n for status, n in sorted(counts.said.items())},
        "seconds": round(checked.seconds, 1),
    }


def unheard(checked: Sequence[Checked]) -> list[str]:
    """Say which results of calls none of the stores of a target gave: too little was tried."""
    return [f"no store on the {target} said {status.name}"
            for target in dict.fromkeys(c.target for c in checked) for status in MUST_HEAR
            if not any(c.counts.said[status] for c in checked if c.target == target)]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--target", choices=[t.name for t in TARGETS], action="append")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    checked, wrong = [], []
    for target in TARGETS:
        for store in stores() if not options.target or target.name in options.target else ():
            try:
                checked.append(check_store(target, store))
            except ToolError as error:
                parser.exit(2, f"{target.name}, {store.name}: {error}\n{error.help}\n")
            except AssertionError:
                wrong.append(f"{target.name}, {store.name}:\n{traceback.format_exc()}")
    wrong += unheard(checked) if not wrong else []
    if options.json:
        print(json.dumps({"schema_version": 1, "checked": [as_data(c) for c in checked],
                          "wrong": wrong}, indent=2))
    else:
        print("\n".join([*report(checked), *wrong]))
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
