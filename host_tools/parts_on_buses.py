"""For commands that use a part: which bus it is on, what it holds, what is on record of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

from host_tools.options import BusOptions, ValueOptions
from host_tools.progress import counted
from host_tools.streams import read_bytes, read_source
from host_tools.terminal import say

if TYPE_CHECKING:
    from paramstore.bus.programmer import Programmer
    from paramstore.core.errors import Finding, SourceText
    from paramstore.core.scalars import StoreRaws
    from paramstore.files.forms import Dump
    from paramstore.image.contents import Contents
    from paramstore.layout.plan import Plan
    from paramstore.releases.project import Project

__all__ = ["Target", "check_records", "look_at", "open_part", "other_unit", "read_target",
           "read_wanted"]


@contextmanager
def open_part(plan: Plan, at: BusOptions, *, create: bool = False,
              writes: bool = False) -> Iterator[Programmer]:
    """Open the way to a part and keep others from it; ToolError if neither or both of the options
    that name it are there. `create` and `writes` are those of `PartFile`."""
    from paramstore.bus.i2cdev import LinuxBus
    from paramstore.bus.part_file import PartFile
    from paramstore.bus.programmer import Programmer
    from paramstore.core.errors import ToolError

    if (at.bus is None) == (at.part_file is None):
        raise ToolError("which part is meant?" if at.bus is None else "two parts are named",
                        "give --bus N for /dev/i2c-N, or --part-file FILE for a simulated part")
    way: LinuxBus | PartFile
    if at.bus is not None:
        way = LinuxBus(at.bus, at.message_bytes)
    else:
        way = PartFile(at.part_file or "", plan.part, plan.schema.address, plan.schema.bus_khz,
                       create=create, writes=writes)
        if way.made:
            say(f"{at.part_file} is not there: a blank {plan.part.name} is simulated",
                err=True)
    try:
        programmer = Programmer(way, plan.part, plan.schema.address)
        way.claim(programmer.addresses, writes)
        programmer.check()
        yield programmer
    finally:
        way.close()


def look_at(programmer: Programmer, project: Project, *, whole: bool = False) -> Contents:
    """Read the label and the rings of a part, or all of it, and count on a terminal."""
    from paramstore.bus.look import read_part
    from paramstore.image.pack import used_ranges

    size = programmer.part.capacity if whole else sum(
        end - first for first, end in used_ranges(project.plan))
    with counted("Reading", size, "bytes") as tell:
        return read_part(programmer, project, whole=whole, progress=tell)


class Target(NamedTuple):
    """What a person wants on a part: values (a file, settings or both), or an image. It is read
    before the part is."""

    text: SourceText | None
    settings: tuple[str, ...]
    path: str = ""
    image: Dump | None = None


def read_target(project: Project, path: str | None, form: str | None, wanted: ValueOptions,
                exact: bool) -> Target:
    """Read values, or the image at `path`; ToolError if there is nothing, or the options do not go
    together, FindingsError for an image that is not of its form."""
    from paramstore.core.errors import ToolError
    from paramstore.files.forms import Dump, form_of, lay_on_part, read_dump

    if path is None and wanted.values is None and not wanted.settings:
        raise ToolError("there is nothing to write or compare", "give an image, --values FILE or "
                        "--set GROUP.PARAMETER=VALUE")
    if path is None:
        if exact:
            raise ToolError("--exact needs an image", "leave it out for values")
        text = read_source(wanted.values) if wanted.values is not None else None
        return Target(text, wanted.settings)
    if wanted.values is not None or wanted.settings:
        raise ToolError("values and an image are two things to write or compare",
                        "put the values into the image with `paramstore pack`")
    if path.lower().endswith(".toml"):
        raise ToolError(f"`{path}` is no image", f"a values file is given with --values {path}")
    capacity = project.plan.part.capacity
    reading = read_dump(read_bytes(path), path, form_of(path, form) if form else None)
    dump = lay_on_part(reading, capacity)
    if len(dump.data) < capacity:  # the end is missing, like a gap
        dump = Dump(dump.data.ljust(capacity, b"\xff"), (*dump.gaps, (len(dump.data), capacity)))
    return Target(None, (), path, dump)


def read_wanted(project: Project, plan: Plan, source: Target,
                exact: bool = False) -> tuple[StoreRaws, Contents | None]:
    """Return the wanted values, and the image that they come from if there is one.

    FindingsError for mistakes in the values, or an image that does not go with `plan`; an `exact`
    one may be of any release on the same part.
    """
    from paramstore.bus.changes import image_values
    from paramstore.bus.look import read_contents
    from paramstore.image.contents import unpack
    from paramstore.image.values import read_values

    if source.image is None:
        given = read_values(plan.schema, source.text, source.settings, partial=True)
        return given.values, None
    dump = source.image
    image = (read_contents(project, dump.data, dump.gaps) if exact
             else unpack(plan, dump.data, dump.gaps))
    return image_values(image, source.path, exact=exact), image


def check_records(records: str | None) -> None:
    """Refuse records that cannot be used (ToolError), before anything is done with a part."""
    from paramstore.production.records import Records

    if records is not None:
        with Records(records):
            pass


def other_unit(records: str | None, image: Contents | None, part: Contents,
               name: str) -> Finding | None:
    """Return a finding (PS967) if the serial number of a part is not that of an image.

    The records say which parameter has it; without them it is the usual one, if there is one.
    """
    from hashlib import sha256

    from paramstore.bus.compare import other_serial
    from paramstore.core.errors import ToolError
    from paramstore.production.records import Records
    from paramstore.production.serials import serial_place

    if image is None:
        return None
    parameter = None
    if records is not None:
        with Records(records) as kept:
            serial = kept.serial_of_image(sha256(image.image).hexdigest())
            batch = kept.batch_of(serial) if serial else None
            parameter = batch.serial_parameter if batch else None
    try:
        place = serial_place(part.plan.schema, parameter)
    except ToolError:
        return None
    return other_serial(part, image, place.group.name, place.parameter, name)
