"""Does a part hold what it should: by parameter, and if asked byte by byte."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from paramstore.bus.changes import differences, few_copies
from paramstore.core.errors import Finding, Severity, SourceText
from paramstore.core.scalars import StoreRaws
from paramstore.core.words import plural
from paramstore.image.contents import Contents, GroupContents, SlotState
from paramstore.image.diagnose import diagnose, reset_findings
from paramstore.inspect.history import ValueChange
from paramstore.schema.from_raw import parameter_from_raw
from paramstore.schema.model import Parameter

__all__ = ["PartComparison", "RecordPresence", "compare", "damage", "other_serial"]


class RecordPresence(StrEnum):
    """Why the record of a group is not as wanted."""

    NONE = "no record (never written, or erased)"
    LOST = "lost: damaged (or its first write was cut)"
    EXTRA = "the part holds a record, the image has none"


@dataclass(frozen=True, slots=True)
class PartComparison:
    """How a part differs: in parameters (before: the part, after: what was wanted), in groups of
    which it lacks a record or has one too much, in `few` whole copies of a group (how many there
    are, how many there should be), in the addresses of single bytes."""

    changes: tuple[ValueChange, ...]
    presence: tuple[tuple[str, RecordPresence], ...]
    bytes_off: tuple[int, ...]
    few: tuple[tuple[str, int, int], ...] = ()

    @property
    def equal(self) -> bool:
        """Whether nothing differs."""
        return not (self.changes or self.presence or self.bytes_off or self.few)

    @property
    def words(self) -> str:
        """The result in a few words."""
        parts = [plural(len(found), noun) + more for found, noun, more in (
            (self.changes, "parameter", ""),
            (self.groups(RecordPresence.NONE), "group", " without a record"),
            (self.groups(RecordPresence.LOST), "lost group", ""),
            (self.groups(RecordPresence.EXTRA), "group", " that the image has no record of"),
            (self.few, "group", " with too few copies"), (self.bytes_off, "byte", "")) if found]
        return f"differs in {', '.join(parts)}" if parts else "equal"


    def groups(self, why: RecordPresence) -> tuple[str, ...]:
        """The groups whose record is not as wanted for one reason."""
        return tuple(name for name, found in self.presence if found is why)


def compare(contents: Contents, wanted: StoreRaws, image: Contents | None = None, *,
            exact: bool = False) -> PartComparison:
    """Compare a part with wanted values. If they come from an `image`, a group of which it has no
    record must have none on the part; `exact`: its bytes are compared as well, as far as it has
    them."""
    off: tuple[int, ...] = ()
    if exact and image is not None:
        there = bytearray(b"\1" * len(image.image))
        for first, end in image.gaps:
            there[first:end] = bytes(end - first)
        off = tuple(i for i, (a, b) in enumerate(zip(contents.image, image.image, strict=True))
                    if a != b and there[i])
    presence = ((g.ring.group.name, _presence(g, wanted, image)) for g in contents.groups)
    return PartComparison(differences(contents, wanted),
                      tuple((name, why) for name, why in presence if why is not None), off,
                      few_copies(contents, wanted))


def _presence(group: GroupContents, wanted: StoreRaws,
              image: Contents | None) -> RecordPresence | None:
    """Tell why the record of a group is not as wanted; None if it is, or nothing is known of it."""
    name = group.ring.group.name
    if name in wanted:
        if group.newest is not None:
            return None
        return RecordPresence.LOST if group.lost else RecordPresence.NONE
    if image is None or image.group(name).may_be_in_gaps:
        return None
    if group.newest is not None:
        return RecordPresence.EXTRA
    return RecordPresence.LOST if group.lost and image.group(name).blank else None


def damage(contents: Contents, name: str) -> tuple[Finding, ...]:
    """Return a warning (PS605, PS606, PS616) for a damaged label; one (PS965) for each group that
    is lost; one (PS968) for each that has damaged slots beside a whole record: the values are
    there, but less keeps them than should; and one (PS614) for each value that cannot be, in place
    of which firmware serves the default."""
    lost = (Finding(
        "PS965", f"group `{g.ring.group.name}` is lost: no slot holds a whole record",
        SourceText(name, ""), help="`paramstore read` tells what is left of it",
        severity=Severity.WARNING) for g in contents.groups if g.lost and not g.may_be_in_gaps)
    counts = ((g.ring.group.name, sum(s.state is SlotState.DAMAGED for s in g.slots))
              for g in contents.groups if g.newest is not None)
    slots = (Finding(
        "PS968", f"{'a slot' if bad == 1 else f'{bad} slots'} of group `{group}` "
        f"{'is' if bad == 1 else 'are'} damaged", SourceText(name, ""),
        help="`paramstore read` tells which, and why", severity=Severity.WARNING)
        for group, bad in counts if bad)
    values = (replace(found, severity=Severity.WARNING) for g in contents.groups
              for found in reset_findings(g, SourceText(name, "")))
    label = (replace(found, severity=Severity.WARNING) for found in diagnose(contents, name, "part")
             if found.code in ("PS605", "PS606", "PS616"))
    return (*label, *lost, *slots, *values)


def other_serial(contents: Contents, image: Contents, group: str, parameter: Parameter,
                 name: str) -> Finding | None:
    """Return an error (PS967) if the serial number of a part is not that of an image, a warning if
    the image has none.

    `parameter` of `group` holds it, `name` is that of the part for people. None if either has no
    record of the group.
    """
    both = [c.group(group) for c in (contents, image)]
    if any(g.newest is None for g in both):
        return None
    here, there = (parameter_from_raw(parameter, g.values) for g in both)
    return None if here == there else Finding(
        "PS967", f"this part {'has no serial number' if here == '' else f'is {here}'}, the image "
        f"{'has none' if there == '' else f'is of {there}'}", SourceText(name, ""),
        help="fit the right part, or name the right image",
        severity=Severity.WARNING if there == "" else Severity.ERROR)
