"""What `paramstore write` makes of every fault of a bus and a part, on every kind of adapter.

Run it as `python -m tests.programs.bus_faults [--to FILE]`. The command runs as a person runs it,
on /dev/i2c-3, whose kernel side, adapter and part are played. For each fault the table has the
outcomes: exit code, what the command says, what the part holds then, how many page writes it saw,
and on which adapters. Kept in `tests/programs/figures/bus_faults.txt`.
"""

from __future__ import annotations

import argparse
import errno
import os
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from host_tools.main import main as paramstore
from paramstore.bus.changes import value_changes
from paramstore.image.contents import unpack
from paramstore.image.pack import complete, pack
from paramstore.layout.plan import Plan
from paramstore.schema import catalogue
from paramstore.schema.part import Part
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import DeadPage, Fault
from tests.bus.kernel import ADAPTERS, Adapter, failure, plug_in
from tests.bus.kills import NEW, OLD, SCHEMA, plan_of

__all__ = ["FAULTS", "Outcome", "main", "measure", "outcomes", "table"]

PART = "24LC32A"


@dataclass(frozen=True)
class Trouble:
    """One fault: what it does to adapter and part. `blank`: the part is new; `fitted`: another one
    than planned is."""

    name: str
    do: Callable[[Adapter, Device], None] = lambda adapter, device: None
    blank: bool = False
    fitted: Callable[[Part], Part] = lambda part: part


class RefuseData(Fault):
    """Write protection that does not acknowledge data."""

    def __init__(self, device: Device) -> None:
        self._device = device

    def byte(self, number: int) -> bool:
        """Data are refused, addresses and reads are not."""
        return self._device._phase.name != "DATA"


class Gone(Fault):
    """The part is pulled out after some page writes."""

    def __init__(self, device: Device, after: int) -> None:
        self._device, self._after = device, after

    def byte(self, number: int) -> bool:
        """Nobody answers any more."""
        return self._device.cycles < self._after


def fail_from(first: int, number: int, last: int = 1 << 30) -> Callable[[Adapter, Device], None]:
    """Let transfers fail from one on."""
    def do(adapter: Adapter, device: Device) -> None:
        def before(count: int) -> None:
            if first <= count <= last:
                raise failure(number)
        adapter.before = before
    return do


def _stop(adapter: Adapter, device: Device) -> None:
    def before(count: int) -> None:
        if device.cycles == 2:
            raise KeyboardInterrupt
    adapter.before = before


def _other(name: str) -> Callable[[Part], Part]:
    part = catalogue.find(name)
    assert part is not None
    return lambda planned: part


def _slot(plan: Plan, group: str, slot: int) -> int:
    ring = plan.ring(group)
    return ring.first_page + slot * ring.slot_pages


PLAN = plan_of(PART)
FAULTS = (
    Trouble("none"),
    Trouble("none, a new part", blank=True),
    Trouble("one transfer fails with EIO", fail_from(4, errno.EIO, 4)),
    Trouble("all transfers fail with EIO after the 40th", fail_from(40, errno.EIO)),
    Trouble("the clock is held: ETIMEDOUT for ever", fail_from(1, errno.ETIMEDOUT)),
    Trouble("another controller wins: EAGAIN for ever", fail_from(1, errno.EAGAIN)),
    Trouble("nobody at the address", lambda adapter, device: setattr(device, "address", 0x53)),
    Trouble("a kernel driver owns the address",
            lambda adapter, device: setattr(adapter, "owned", (0x50,))),
    Trouble("write-protect pin high, data acknowledged",
            lambda adapter, device: setattr(device, "write_protect", True)),
    Trouble("write-protect pin high, data acknowledged, a new part",
            lambda adapter, device: setattr(device, "write_protect", True), blank=True),
    Trouble("write-protect pin high, data refused",
            lambda adapter, device: device.faults.append(RefuseData(device))),
    Trouble("the part is pulled out after two page writes",
            lambda adapter, device: device.faults.append(Gone(device, 2))),
    Trouble("Ctrl-C after two page writes", _stop),
    Trouble("the next slot of `user` is worn",
            lambda adapter, device: device.faults.append(
                DeadPage(_slot(PLAN, "user", 1)))),
    Trouble("all other slots of `user` are worn",
            lambda adapter, device: device.faults.extend(
                DeadPage(_slot(PLAN, "user", slot)) for slot in (1, 2))),
    Trouble("half the bytes", blank=True, fitted=lambda part: replace(part, capacity=2048)),
    Trouble("pages of 16 bytes", blank=True, fitted=lambda part: replace(part, page=16)),
    Trouble("pages of 64 bytes", blank=True, fitted=lambda part: replace(part, page=64)),
    Trouble("one-byte addresses", blank=True, fitted=_other("24LC16B")),
    Trouble("a byte in a ring that is not FF",
            lambda adapter, device: device.memory.__setitem__(PLAN.ring("user").address(0), 7),
            blank=True),
)


@dataclass(frozen=True)
class Outcome:
    """What came of one fault on one adapter."""

    exit_code: int
    says: tuple[str, ...]
    holds: str
    writes: int


def _used() -> bytes:
    """A part that has been in use: its rings have gone round, the newest record is in slot 0."""
    image = pack(PLAN, OLD)
    for turn in range(3):
        wanted = OLD if turn == 2 else {**OLD, "user": {"limit": (turn,)}}
        image = value_changes(unpack(PLAN, image), wanted, "", unlock=True).image_after
    return image


def measure(kind: str, trouble: Trouble, folder: Path) -> Outcome:
    """Play one fault on one adapter. Files are made in a folder that is empty."""
    fitted = trouble.fitted(PLAN.part)
    device = Device(fitted, 0x50, b"" if trouble.blank else _used())
    adapter = ADAPTERS[kind]()
    trouble.do(adapter, device)
    (folder / "pump.toml").write_text(SCHEMA.format(part=PART), "utf-8")
    (folder / "unit.bin").write_bytes(pack(PLAN, NEW))
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        plug_in(patch, folder, adapter, Bench(device))
        result = CliRunner().invoke(paramstore, [
            "write", "pump.toml", "unit.bin", "--bus", "3", "--unlock", "--yes"])
    assert result.exception is None or isinstance(result.exception, SystemExit | KeyboardInterrupt
                                                  ), result.exception
    marks = ("error", "warning", "mend", "fact", "the write did not")
    says = [line.strip().replace("/dev/i2c-3, 0x50: ", "")
            for line in result.output.splitlines()]
    return Outcome(result.exit_code, tuple(s for s in says if s.startswith(marks)),
                   _holds(device), device.cycles)


def _holds(device: Device) -> str:
    memory = bytes(device.memory)
    if memory.count(0xFF) == len(memory):
        return "blank"
    if len(memory) != PLAN.part.capacity:
        return "something"
    new, old = complete(PLAN, NEW), complete(PLAN, OLD)
    held = unpack(PLAN, memory)
    words = {g.ring.group.name: "none" if g.newest is None else
             "old" if g.values == old[g.ring.group.name] != new[g.ring.group.name] else
             "new" if g.values == new[g.ring.group.name] else "other" for g in held.groups}
    words = {name: word + ("" if word == "none" or g.copies >= g.ring.group.copies else
                           f" ({g.copies} of {g.ring.group.copies} copies)")
             for (name, word), g in zip(words.items(), held.groups, strict=True)}
    return ", ".join(f"{name} {word}" for name, word in words.items())


def outcomes(trouble: Trouble) -> dict[Outcome, list[str]]:
    """Play a fault on all adapters; return which outcome it has on which."""
    found: dict[Outcome, list[str]] = {}
    for kind in ADAPTERS:
        with tempfile.TemporaryDirectory() as folder:
            found.setdefault(measure(kind, trouble, Path(folder)), []).append(kind)
    return found


def table(found: Mapping[str, Mapping[Outcome, list[str]]]) -> str:
    """Return the whole table as text: outcomes by the name of the fault."""
    lines = [f"write --unlock --yes of an image to a {PART} on /dev/i2c-3; identity, trim in two "
             "copies, user", ""]
    for name, some in found.items():
        lines.append(name)
        for outcome, kinds in some.items():
            where = "every adapter" if len(kinds) == len(ADAPTERS) else "; ".join(kinds)
            lines.append(f"  {where}")
            lines.append(f"    exit code {outcome.exit_code}, {outcome.writes} page writes; "
                         f"on the part: {outcome.holds}")
            lines += [f"    {line}" for line in outcome.says]
        lines.append("")
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> None:
    """Make the table, and print it or write it to a file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--to", metavar="FILE")
    options = parser.parse_args(arguments)
    text = table({trouble.name: outcomes(trouble) for trouble in FAULTS})
    if options.to:
        Path(options.to).write_text(text, "utf-8")
    else:
        print(text, end="")


if __name__ == "__main__":
    os.environ.pop("COLUMNS", None)
    main()
