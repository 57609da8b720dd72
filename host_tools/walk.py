"""The steps of the tour, each a title, a few lines for a person to read, and the files it left.

The firmware that runs here is the C that `generate` writes, compiled for this computer; its port
leads to the simulated part. Nothing is staged: what a step says is what the step before left.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from paramstore.core.disk import make_folder, write_bytes, write_text
from paramstore.core.errors import SourceText, ToolError
from paramstore.core.scalars import Raw, ScalarForm
from paramstore.core.status import Health, Status
from paramstore.core.words import plural
from paramstore.files.forms import encode_image, form_of
from paramstore.firmware.generate import generate, runtime_files
from paramstore.image.contents import unpack
from paramstore.image.pack import complete, pack
from paramstore.image.values import read_values
from paramstore.layout.figures import figures
from paramstore.layout.plan import Plan
from paramstore.releases.project import open_project
from paramstore.report.image import contents_toml, image_text
from paramstore.report.plan import plan_text
from paramstore.report.wording import LONG_LIFE_YEARS
from paramstore.schema.breaches import breaches
from paramstore.schema.from_raw import format_value
from paramstore.schema.model import Field, Group, Kind
from paramstore.verify.eeprom.bench import Bench, Transferred
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import CutAtWrite, PowerCut, Tear, Torn
from paramstore.verify.rig.native import NativeRig, compile_native
from paramstore.verify.rig.toolchain import find_compiler

__all__ = ["LEFT", "Step", "TourChange", "pick_change", "walk"]

LEFT = ("plan.txt", "firmware", "compiled", "unit.bin", "unit.hex", "dump.bin", "dump.txt",
        "dump.values.toml")
"""What a tour leaves in its folder."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step: what it is about, what was seen, which files are there to open."""

    title: str
    lines: tuple[str, ...]
    files: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class TourChange:
    """A change of one element that breaks no limit and no rule, there and back."""

    group: Group
    field: Field
    element: int
    before: Raw
    after: Raw


def walk(schema_text: SourceText, values_text: SourceText | None, folder: Path) -> Iterator[Step]:
    """Yield the steps as they are done; files go to `folder`.

    FindingsError if the schema or the values have mistakes, ToolError without a C compiler or if
    `folder` has files of somebody else.
    """
    project = open_project(schema_text)
    plan, warnings = project.plan, project.findings
    schema = plan.schema
    parameters = sum(len(g.parameters) for g in schema.groups)
    yield Step("Check the schema", (
        f"{schema_text.path}: {plural(parameters, 'parameter')} in "
        f"{plural(len(schema.groups), 'group')}, "
        f"{plural(len(warnings), 'warning') if warnings else 'no mistakes'}",))
    _open_folder(folder)
    yield _plan(plan, folder)
    yield _generate(plan, folder)

    code = compile_native(plan, folder / "compiled")
    yield Step("Compile it", ("runtime, tables and a port to the simulated part, "
                              f"with {find_compiler().name}",), (folder / "compiled",))

    given = read_values(schema, values_text)
    image = pack(plan, given.values)
    yield _pack(plan, image, values_text, folder)

    device = Device(plan.part, schema.address, image)
    rig = NativeRig(code, Bench(device, schema.bus_khz))
    yield _mount(rig)
    change = pick_change(plan, complete(plan, given.values))
    if change is not None:
        yield _commit(rig, change)
        yield _cut(rig, change)
    yield _dump(plan, bytes(device.memory), folder)


def _open_folder(folder: Path) -> None:
    """Make the folder; one that is there may hold only what an earlier tour left."""
    make_folder(folder)
    foreign = sorted(p.name for p in folder.iterdir() if p.name not in LEFT)
    if foreign:
        raise ToolError(f"the folder `{folder}` holds `{foreign[0]}`, which is not of a tour",
                        "give another folder with -o; it is made if need be")


def pick_change(plan: Plan, values: dict[str, dict[str, tuple[Raw, ...]]]) -> TourChange | None:
    """Return a change to show, if possible in a group that firmware need not unlock."""
    for group in sorted(plan.schema.groups, key=lambda g: (g.role.protected, g.writes_per_day)):
        for field in sorted(group.fields, key=lambda f: f.kind not in _PLAIN):
            for element, before in enumerate(values[group.name][field.name]):
                for raw in _neighbours(field, before):
                    raws = list(values[group.name][field.name])
                    raws[element] = raw
                    tried = values[group.name] | {field.name: tuple(raws)}
                    if not any(breaches(group, tried)):
                        return TourChange(group, field, element, before, raw)
    return None


_PLAIN = (Kind.INTEGER, Kind.FLOAT)
"""Kinds in which a person sees a change at a glance."""


def _neighbours(field: Field, raw: Raw) -> Iterator[Raw]:
    if field.scalar.form is ScalarForm.FLOAT:
        yield from (low for low, high in field.limits.ranges if low != raw)
    elif field.members:
        yield from (number for _, number in field.members if number != raw)
    else:
        low, high = field.scalar.minimum, field.scalar.maximum
        yield from (r for r in (raw + 5, raw + 1, raw - 1) if low <= r <= high)


def _plan(plan: Plan, folder: Path) -> Step:
    numbers = figures(plan)
    path = folder / "plan.txt"
    write_text(path, plan_text(plan, fields=True))
    used = plan.label_pages * 2 + plan.ring_pages
    shortest = min(numbers.rings, key=lambda r: r.life_years)
    years = f"over {LONG_LIFE_YEARS:,}" if shortest.life_years > LONG_LIFE_YEARS else (
        f"{shortest.life_years:.3g}")
    return Step("Lay it out over the pages", (
        f"{plan.part.name}: {used} of {plan.part.pages} pages of {plan.part.page} bytes; "
        f"mount takes {numbers.mount_ms:.1f} ms of bus time",
        f"first to wear out: {shortest.ring.group.name}, after {years} years at "
        f"{plan.schema.temperature_c:g} degC, {plan.schema.life_years:g} wanted",
    ), (path,))


def _generate(plan: Plan, folder: Path) -> Step:
    texts = {**generate(plan), **runtime_files()}
    make_folder(folder / "firmware")
    for name, text in texts.items():
        write_text(folder / "firmware" / name, text)
    return Step("Write the C for the firmware", (f"{', '.join(texts)}",), (folder / "firmware",))


def _pack(plan: Plan, image: bytes, values: SourceText | None, folder: Path) -> Step:
    paths = (folder / "unit.bin", folder / "unit.hex")
    for path in paths:
        write_bytes(path, encode_image(image, form_of(str(path))))
    source = values.path if values else "defaults"
    return Step("Pack the image of one unit", (
        f"values from {source}; {plan.part.capacity} bytes, what is not used is FF",), paths)


def _mount(rig: NativeRig) -> Step:
    status = rig.mount()
    took_ms = rig.bench.now_us / 1000
    names = [ring.group.name for ring in rig.plan.rings]
    bare = [name for name in names if not rig.sequence(name)]
    has = "has" if len(bare) == 1 else "have"
    why = f" ({', '.join(bare)} {has} no record)" if bare else ""
    lines = [f"mount: {status.name}{why}, {plural(len(_transfers(rig)), 'transfer')}, "
             f"{took_ms:.1f} ms"]
    for ring in rig.plan.rings:
        name = ring.group.name
        held = "no record, defaults:" if name in bare else f"record {rig.sequence(name)},"
        lines.append(f"{name}: {held} {', '.join(_some_values(rig, ring.group))}")
    return Step("Mount it in the compiled firmware", tuple(lines))


def _some_values(rig: NativeRig, group: Group, most: int = 3) -> Iterator[str]:
    values = rig.values(group.name)
    for field in group.fields[:most]:
        yield f"{field.name} = {format_value(field, values[field.name])}"
    if len(group.fields) > most:
        yield "..."


def _transfers(rig: NativeRig) -> list[Transferred]:
    return [event for event in rig.bench.log if isinstance(event, Transferred)]


def _set(rig: NativeRig, change: TourChange, raw: Raw) -> None:
    rig.unlock(change.group.name)
    _expect(Status.OK, rig.set(change.group.name, change.field.name, change.element, [raw]))


def _expect(wanted: Status, got: Status) -> None:
    if got is not wanted:
        raise ToolError(f"the store answered {got.name} where {wanted.name} was due",
                        "this is a defect of paramstore: please report it with the schema")


def _now(rig: NativeRig, change: TourChange) -> str:
    raws = rig.values(change.group.name)[change.field.name]
    return f"{change.field.name} = {format_value(change.field, raws)}"


def _commit(rig: NativeRig, change: TourChange) -> Step:
    before = _now(rig, change)
    start_us, writes = rig.bench.now_us, rig.bench.device.cycles
    _set(rig, change, change.after)
    _expect(Status.OK, rig.commit(change.group.name))
    took_ms = (rig.bench.now_us - start_us) / 1000
    return Step("Change a value and commit it", (
        f"{change.group.name}: {before}, now {_now(rig, change)}",
        f"record {rig.sequence(change.group.name)}, "
        f"{plural(rig.bench.device.cycles - writes, 'page write')}, "
        f"{took_ms:.1f} ms with write cycle and read-back",
    ))


def _cut(rig: NativeRig, change: TourChange) -> Step:
    """Set the value back, and let the power go in the middle of the commit's first page write."""
    committed = _now(rig, change)
    cut = CutAtWrite(rig.bench.device.cycles + 1, Tear(Torn.MIX, seed=1))
    _set(rig, change, change.before)
    tried = _now(rig, change)
    rig.bench.device.faults.append(cut)
    with suppress(PowerCut):
        rig.commit(change.group.name)
    rig.bench.device.faults.remove(cut)
    rig.power_cycle()
    status = rig.mount()
    return Step("Cut the power in the middle of a commit", (
        f"{change.group.name}: committing {tried}; the page is left a mix of old and new bits",
        f"power on, mount: {status.name}, health of {change.group.name}: "
        f"{_flags(rig.health(change.group.name))}",
        f"{change.group.name}: {_now(rig, change)}, "
        + ("the last value committed" if _now(rig, change) == committed else "NOT what it was"),
    ))


def _flags(health: Health) -> str:
    return " ".join(flag.name or "" for flag in health) or "no flag"


def _dump(plan: Plan, image: bytes, folder: Path) -> Step:
    paths = (folder / "dump.bin", folder / "dump.txt", folder / "dump.values.toml")
    contents = unpack(plan, image)
    write_bytes(paths[0], image)
    write_text(paths[1], image_text(contents))
    write_text(paths[2], contents_toml(contents))
    bad = [f"{g.ring.group.name}, slot {n}: {slot.state}" + (f", {slot.reason}" if slot.reason
                                                            else "")
           for g in contents.groups for n, slot in enumerate(g.slots) if slot.state.bad]
    good = sum(not slot.state.bad for g in contents.groups for slot in g.slots)
    return Step("Dump the part and read the dump", (
        f"{plural(good, 'slot')} in order, {len(bad)} not", *bad), paths)
