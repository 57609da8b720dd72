"""For commands that use a part: which bus it is on, what it holds, what is on record of it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

from host_tools.streams import read_bytes, read_source

if TYPE_CHECKING:
    from paramstore.bus.changes import Values
    from paramstore.bus.programmer import Programmer
    from paramstore.errors import Finding
    from paramstore.evolve.project import Project
    from paramstore.image.contents import Contents
    from paramstore.layout.plan import Plan

__all__ = ["Source", "bus_options", "note_event", "open_part", "other_unit",
           "read_contents", "read_part", "read_wanted"]

_Command = Callable[..., Any]


def bus_options(command: _Command) -> _Command:
    """Add the options that say where a part is."""
    for option in (
        click.option("--bus", type=click.IntRange(0), metavar="N",
                     help="The part is on /dev/i2c-N of Linux."),
        click.option("--part-file", metavar="FILE",
                     help="The part is simulated; FILE holds its bytes."),
        click.option("--records", metavar="FILE",
                     help="Note the result in the records of `paramstore batch`."),
    ):
        command = option(command)
    return command


@contextmanager
def open_part(plan: Plan, bus: int | None, part_file: str | None, *,
              create: bool = False) -> Iterator[Programmer]:
    """Open the way to a part; ToolError if neither or both of the options are there."""
    from paramstore.bus.i2cdev import LinuxBus
    from paramstore.bus.part_file import PartFile
    from paramstore.bus.programmer import Programmer
    from paramstore.errors import ToolError

    if (bus is None) == (part_file is None):
        raise ToolError("which part is meant?" if bus is None else "two parts are named",
                        "give --bus N for /dev/i2c-N, or --part-file FILE for a simulated part")
    way: LinuxBus | PartFile
    if bus is not None:
        way = LinuxBus(bus)
    else:
        way = PartFile(part_file or "", plan.part, plan.schema.address, plan.schema.bus_khz,
                       create=create)
        if way.made:
            click.echo(f"{part_file} is not there: a blank {plan.part.name} is simulated", err=True)
    try:
        yield Programmer(way, plan.part, plan.schema.address)
    finally:
        way.close()


def read_part(programmer: Programmer) -> bytes:
    """Read the whole part, with a progress bar."""
    size = programmer.part.capacity
    with click.progressbar(length=size, label="Reading", file=sys.stderr) as bar:
        return programmer.read(bar.update)


def read_contents(project: Project, image: bytes) -> Contents:
    """Decode an image with the release that its label names."""
    from paramstore.image.contents import unpack

    contents = unpack(project.plan, image)
    return unpack(project.plan_of(contents.label), image) if contents.label else contents


class Source:
    """What a person wants on a part: a values file (.toml), settings, or an image."""

    def __init__(self, path: str | None, form: str | None, settings: tuple[str, ...]) -> None:
        from paramstore.errors import ToolError

        self.path, self.settings = path, settings
        self.form = form
        self.values = path is None or (path.endswith(".toml") and form is None)
        if path is None and not settings:
            raise ToolError("there is nothing to write or compare",
                            "give a values file (.toml), an image, or --set GROUP.PARAMETER=VALUE")
        if settings and not self.values:
            raise ToolError("--set goes with a values file, not with an image",
                            "put the values into the image with `paramstore pack`")


def read_wanted(project: Project, plan: Plan, source: Source,
                exact: bool = False) -> tuple[Values, Contents | None]:
    """Return the wanted values, and the image that they come from if there is one.

    FindingsError for mistakes in the file, or an image that does not go with `plan`; an `exact` one
    may be of any release on the same part.
    """
    from paramstore.bus.changes import image_values
    from paramstore.errors import ToolError
    from paramstore.image.contents import unpack
    from paramstore.image.files import decode_image, form_of
    from paramstore.image.values import read_values

    path = source.path
    if source.values:
        text = read_source(path) if path is not None else None
        given = read_values(plan.schema, text, source.settings, partial=True)
        return given.values, None
    assert path is not None, "an image has a name"
    dump = decode_image(read_bytes(path), form_of(path, source.form), path, plan.part.capacity)
    if exact and dump.gaps:
        raise ToolError(f"`{path}` does not have all bytes of the part",
                        "give a dump of the whole part: what stands in the others is not known")
    image = read_contents(project, dump.data) if exact else unpack(plan, dump.data, dump.gaps)
    return image_values(image, path, exact=exact), image


def other_unit(records: str | None, image: Contents | None, part: Contents,
               name: str) -> Finding | None:
    """Return a finding (PS967, a warning) if the serial number of a part is not that of an image.

    The records say which parameter has it; without them it is the usual one, if there is one.
    """
    from hashlib import sha256

    from paramstore.bus.compare import other_serial
    from paramstore.errors import ToolError
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


def note_event(records: str | None, image: Contents | None, what: str, good: bool,
               detail: str, other: Finding | None = None) -> None:
    """Note what was done with the part of a unit, which its image tells, in the records; nothing
    if it was the part of `other` unit."""
    from hashlib import sha256

    from paramstore.production.records import Event, Records

    if records is None:
        return
    if other is not None:
        click.echo(f"{records}: {other.message}; nothing was noted", err=True)
        return
    with Records(records) as kept:
        serial = image and kept.serial_of_image(sha256(image.image).hexdigest())
        if not serial:
            click.echo(f"{records}: the image is of no unit on record; nothing was noted", err=True)
            return
        kept.add_event(serial, Event(
            datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"), what, good, detail))
        click.echo(f"{records}: noted for unit {serial}", err=True)
