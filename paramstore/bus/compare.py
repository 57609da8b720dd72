"""Does a part hold what it should: by parameter, and if asked byte by byte."""

from __future__ import annotations

from dataclasses import dataclass, replace

from paramstore.bus.changes import Change, Values, differences, few_copies
from paramstore.errors import Finding, Severity, SourceText
from paramstore.image.contents import Contents, SlotState
from paramstore.image.diagnose import reset_findings
from paramstore.schema.model import Parameter
from paramstore.schema.quantity import parameter_from_raw
from paramstore.schema.words import plural

__all__ = ["Comparison", "compare", "damage", "other_serial"]


@dataclass(frozen=True, slots=True)
class Comparison:
    """How a part differs: in parameters (before: the part, after: what was wanted), in groups that
    were never written, in `few` whole copies of a group (how many there are, how many there should
    be), in the addresses of single bytes."""

    changes: tuple[Change, ...]
    unwritten: tuple[str, ...]
    bytes_off: tuple[int, ...]
    few: tuple[tuple[str, int, int], ...] = ()

    @property
    def equal(self) -> bool:
        """Whether nothing differs."""
        return not (self.changes or self.unwritten or self.bytes_off or self.few)

    @property
    def words(self) -> str:
        """The result in a few words."""
        parts = [plural(len(found), noun) + more for found, noun, more in (
            (self.changes, "parameter", ""), (self.unwritten, "unwritten group", ""),
            (self.few, "group", " with too few copies"), (self.bytes_off, "byte", "")) if found]
        return f"differs in {', '.join(parts)}" if parts else "equal"


def compare(contents: Contents, wanted: Values, image: Contents | None = None) -> Comparison:
    """Compare a part with wanted values, and with the bytes of `image` if that is given, as far as
    it has them."""
    unwritten = tuple(g.ring.group.name for g in contents.groups
                      if g.newest is None and g.ring.group.name in wanted)
    off: tuple[int, ...] = ()
    if image is not None:
        there = bytearray(b"\1" * len(image.image))
        for first, end in image.gaps:
            there[first:end] = bytes(end - first)
        off = tuple(i for i, (a, b) in enumerate(zip(contents.image, image.image, strict=True))
                    if a != b and there[i])
    return Comparison(differences(contents, wanted), unwritten, off,
                      few_copies(contents, wanted))


def damage(contents: Contents, name: str) -> tuple[Finding, ...]:
    """Return a warning (PS968) for each group that has damaged slots beside a whole record: the
    values are there, but less keeps them than should; and one (PS614) for each value that cannot
    be, in place of which firmware serves the default."""
    counts = ((g.ring.group.name, sum(s.state is SlotState.DAMAGED for s in g.slots))
              for g in contents.groups if g.newest is not None)
    slots = (Finding(
        "PS968", f"{'a slot' if bad == 1 else f'{bad} slots'} of group `{group}` "
        f"{'is' if bad == 1 else 'are'} damaged", SourceText(name, ""),
        help="`paramstore read` tells which, and why", severity=Severity.WARNING)
        for group, bad in counts if bad)
    values = (replace(found, severity=Severity.WARNING) for g in contents.groups
              for found in reset_findings(g, SourceText(name, "")))
    return (*slots, *values)


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
