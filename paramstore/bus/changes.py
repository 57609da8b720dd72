"""What has to be written so that a part holds given values, and in which order.

A group is replaced as firmware replaces it: a whole new record in the next slot, so that a cut at
any moment leaves the old one or the new one. Labels come first, for without one a torn record would
make the part look foreign. Pure: images in, images and page lists out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from paramstore.codec import Record, build_label, build_record, encode_body
from paramstore.errors import Finding, FindingsError, Severity, SourceText
from paramstore.format import ERASED, LABEL_MAGIC, slot_of
from paramstore.image.contents import Contents, GroupContents, LabelState, unpack
from paramstore.image.diagnose import diagnose
from paramstore.image.wording import breach_help, breach_text
from paramstore.layout.plan import Plan, Ring
from paramstore.scalars import Raw
from paramstore.schema.breaches import breaches
from paramstore.schema.model import Group, Parameter
from paramstore.schema.words import code_list

__all__ = ["Change", "Changes", "differences", "exact_changes", "image_values", "recognise",
           "value_changes"]

Values = Mapping[str, Mapping[str, tuple[Raw, ...]]]
"""Raws by group and field name."""

_USABLE = (LabelState.OURS, LabelState.BLANK, LabelState.DAMAGED)


@dataclass(frozen=True, slots=True)
class Change:
    """One parameter: the raws of its fields by name, as they are and as they will be."""

    group: Group
    parameter: Parameter
    before: dict[str, tuple[Raw, ...]]
    after: dict[str, tuple[Raw, ...]]


@dataclass(frozen=True, slots=True)
class Changes:
    """What would be done to a part that holds `before`.

    `target` is its content afterwards, `pages` the numbers of the pages to be written, in order.
    `changed` are parameters, `kept` those that stay though they differ, `groups` the groups that
    are written, `first` those of them that had no record. `label`: it is written.
    """

    before: bytes
    target: bytes
    pages: tuple[int, ...]
    changed: tuple[Change, ...]
    kept: tuple[Change, ...]
    groups: tuple[str, ...]
    first: tuple[str, ...]
    label: bool
    findings: tuple[Finding, ...] = ()


def recognise(contents: Contents, name: str) -> None:
    """Refuse a part that is not of this store, release and size (FindingsError); a blank one is
    fine, and one whose label is damaged while its records are whole.

    `name` is that of the part for people.
    """
    plan, image = contents.plan, contents.image
    half = plan.part.capacity // 2
    if contents.label_state in _USABLE:
        at = half + plan.label_address(0 if contents.labels[0] else 1)
        repeats = contents.label is not None and image[at:].startswith(LABEL_MAGIC)
        if repeats and image[:half] == image[half:]:
            raise FindingsError([Finding(
                "PS961", f"the part has less than the {plan.part.capacity} bytes of the "
                f"{plan.part.name}", SourceText(name, ""),
                notes=(f"what is at 0 comes again at 0x{half:04X}",),
                help="fit the part of the schema, or give the schema of this part")])
        if contents.blank or contents.label_state is LabelState.OURS or contents.readable:
            return
        first = image[:plan.label_bytes]
        if first.count(ERASED) == len(first) and not any(g.lost for g in contents.groups):
            return  # blank as far as this store goes, or its very first write was cut
    refusals = [replace(f, help=f"{f.help}; {_ANEW}") if f.code == "PS605" else f
                for f in diagnose(contents, name)
                if f.severity is Severity.ERROR and f.code in _REFUSALS]
    raise FindingsError(refusals or [Finding(
        "PS962", "the part was written by another release", SourceText(name, ""),
        help="give the schema with the releases up to that one")])


_REFUSALS = ("PS605", "PS607", "PS608", "PS609", "PS610", "PS617")
"""What `diagnose` says of a part that is not ours."""

_ANEW = "or, to use the part anew, erase it with `ps_wipe` or a programmer"


# ---- Values --------------------------------------------------------------------------------------


def image_values(contents: Contents, path: str, *,
                 exact: bool = False) -> dict[str, dict[str, tuple[Raw, ...]]]:
    """Return the values of an image that is to be written; FindingsError (PS962) if it is not one
    of this store and layout, lacks bytes of a slot, in which newer values may be, or has no record
    of a group; an `exact` one may have none."""
    reason = ""
    partly = [g.ring.group.name for g in contents.groups if contents.unread(g.ring)]
    if contents.label_state is not LabelState.OURS:
        reason = f"its label says: {contents.label_state}"
    elif partly:
        reason = f"it lacks bytes of group {code_list(partly)}"
    elif exact:
        pass
    elif lost := [g.ring.group.name for g in contents.groups if g.newest is None]:
        reason = f"it has no record of group {code_list(lost)}"
    if reason:
        raise FindingsError([Finding(
            "PS962", f"`{path}` does not go with the part", SourceText(path, ""), notes=(reason,),
            help="make it anew with `paramstore pack`, or bring it over with `paramstore migrate`")
        ])
    return {g.ring.group.name: g.values for g in contents.groups}


def value_changes(contents: Contents, wanted: Values, name: str, *,
                  unlock: bool = False) -> Changes:
    """Return what makes a part hold the `wanted` values; what they do not name stays as it is.

    On a part that was never written every group is, with defaults for the rest. Protected groups
    with a record are kept unless `unlock` (PS964, a warning). FindingsError (PS963) if the values
    break the schema.
    """
    plan = contents.plan
    target = bytearray(contents.image)
    label = any(contents.image[at:at + plan.label_bytes] != build_label(plan)
                for at in map(plan.label_address, (0, 1)))
    spans: list[tuple[int, int]] = []
    if label:
        spans += _put_labels(plan, target, contents)
    fresh = all(g.newest is None for g in contents.groups)
    changed: list[Change] = []
    kept: list[Change] = []
    groups: list[str] = []
    first: list[str] = []
    findings: list[Finding] = []
    for group in contents.groups:
        given = wanted.get(group.ring.group.name, {})
        stored = {**group.values, **given}
        diff = list(_differences(group, given))
        if group.newest is None:
            if not given and not fresh:
                continue
            first.append(group.ring.group.name)
            if group.lost:
                findings.append(_finding("PS965", name, f"the part has lost group "
                                         f"`{group.ring.group.name}`: it is written anew"))
        elif not diff:
            continue
        elif group.ring.group.role.protected and not unlock:
            kept += diff
            continue
        changed += diff
        groups.append(group.ring.group.name)
        _check(group, stored, name)
        spans += _put_records(plan, group, stored, target)
    if kept:
        names = dict.fromkeys(change.group.name for change in kept)
        findings.append(_finding(
            "PS964", name, f"group {code_list(names)} is kept" if len(names) == 1 else
            f"groups {code_list(names)} are kept", "give --unlock to write identity and calibration"
        ))
    return Changes(contents.image, bytes(target), _pages(plan, contents.image, target, spans),
                   tuple(changed), tuple(kept), tuple(groups), tuple(first), label,
                   tuple(findings))


def exact_changes(contents: Contents, image: Contents, name: str, *,
                  unlock: bool = False) -> Changes:
    """Return what makes a part hold `image` byte by byte, a backup of it for one.

    The image may be of another release than the part. FindingsError (PS964) if it is, or if a
    protected group that has a record changes, unless `unlock`.
    """
    plan = image.plan
    if contents.plan != plan:
        here, there = contents.plan.part, plan.part
        if (here.capacity, here.page) != (there.capacity, there.page):
            raise FindingsError([Finding(
                "PS962", f"the image is for a part of {there.capacity} bytes with "
                f"{there.page}-byte pages, this one has {here.capacity} and {here.page}",
                SourceText(name, ""),
                help="fit the part that the image was made for")])
        if not contents.blank and not unlock:
            raise FindingsError([Finding(
                "PS964", f"the image is of release {plan.release}, the part of release "
                f"{contents.plan.release}", SourceText(name, ""),
                notes=("all that the part holds is replaced",),
                help="give --unlock if the image was made from this very part")])
        contents = unpack(plan, contents.image)
    pairs = list(zip(contents.groups, image.groups, strict=True))
    diff = [c for mine, other in pairs for c in _differences(mine, other.stored)]
    locked = dict.fromkeys(
        c.group.name for c in diff
        if c.group.role.protected and contents.group(c.group.name).newest is not None)
    if locked and not unlock:
        raise FindingsError([Finding(
            "PS964", f"the image changes {code_list(locked)}", SourceText(name, ""),
            notes=("identity and calibration belong to a unit",),
            help="give --unlock to write them; or leave --exact out, and they are kept")])
    labels = [(plan.label_address(c), plan.label_bytes) for c in (1, 0)]
    first = 2 * plan.label_pages * plan.part.page
    spans = [(first, plan.part.capacity - first), *labels]
    groups = [mine.ring.group.name for mine, other in pairs
              if _ring_bytes(contents, mine.ring) != _ring_bytes(image, mine.ring)]
    first_records = [mine.ring.group.name for mine, other in pairs
                     if mine.newest is None and other.newest is not None]
    target = image.image
    return Changes(contents.image, target, _pages(plan, contents.image, target, spans),
                   tuple(diff), (), tuple(groups), tuple(first_records),
                   contents.labels != image.labels)


def differences(contents: Contents, wanted: Values) -> tuple[Change, ...]:
    """Return the parameters in which a part differs from what is `wanted`."""
    return tuple(
        change for group in contents.groups
        for change in _differences(group, wanted.get(group.ring.group.name, {})))


def _differences(group: GroupContents, given: Mapping[str, tuple[Raw, ...]]) -> Iterator[Change]:
    """Yield the parameters that do not have what is given. One that has its default only because
    what is stored cannot be does not have it."""
    for parameter in group.ring.group.parameters:
        names = [f.name for f in parameter.fields]
        wanted = {**group.values, **given} if given.keys() & set(names) else group.stored
        before, after = ({n: values[n] for n in names} for values in (group.stored, wanted))
        if before != after and repr(before) != repr(after):  # a NaN is not even itself
            yield Change(group.ring.group, parameter, before, after)


def _check(group: GroupContents, stored: Mapping[str, tuple[Raw, ...]], name: str) -> None:
    found = [
        Finding("PS963", breach_text(breach, group.ring.group, stored), SourceText(name, ""),
                help=breach_help(breach, stored) or "give another value")
        for breach in breaches(group.ring.group, stored)
    ]
    if found:
        raise FindingsError(found)


def _finding(code: str, name: str, message: str, help: str = "") -> Finding:
    return Finding(code, message, SourceText(name, ""), help=help, severity=Severity.WARNING)


# ---- Bytes ---------------------------------------------------------------------------------------


def _put_labels(plan: Plan, target: bytearray, contents: Contents) -> list[tuple[int, int]]:
    """Lay both labels; never over the only whole one first (FORMAT.md, 2)."""
    label = build_label(plan)
    order = (0, 1) if contents.labels[1] is not None else (1, 0)
    for copy in order:
        address = plan.label_address(copy)
        target[address:address + len(label)] = label
    return [(plan.label_address(copy), len(label)) for copy in order]


def _put_records(plan: Plan, group: GroupContents, stored: Mapping[str, tuple[Raw, ...]],
                 target: bytearray) -> list[tuple[int, int]]:
    """Lay as many records as the group has copies behind the newest one."""
    ring = group.ring
    newest = group.newest.record if group.newest else None
    body = _body(ring, stored, newest)
    revision = max(ring.revision, newest.revision if newest else 0)
    first = (newest.sequence if newest else 0) + 1
    spans = []
    for sequence in range(first, first + ring.group.copies):
        address = ring.address(slot_of(sequence, ring.slots))
        record = build_record(plan, ring, sequence, body, revision)
        target[address:address + len(record)] = record
        spans.append((address, len(record)))
    return spans


def _body(ring: Ring, stored: Mapping[str, tuple[Raw, ...]], newest: Record | None) -> bytes:
    """Return the new body; bytes that this plan does not know stay as they are."""
    body = bytearray(encode_body(ring, stored))
    if newest is not None:
        for reserved in ring.reserved:
            if reserved.since <= newest.revision:
                span = slice(reserved.offset, reserved.offset + reserved.size)
                body[span] = newest.body[span]
        if newest.revision > ring.revision:
            body[ring.payload_bytes:] = newest.body[ring.payload_bytes:]
    return bytes(body)


def _pages(plan: Plan, before: bytes, target: bytes | bytearray,
           spans: list[tuple[int, int]]) -> tuple[int, ...]:
    """Return the pages of spans in which the two differ, each once, in the order of the spans."""
    size = plan.part.page
    pages = dict.fromkeys(
        page for first, length in spans
        for page in range(first // size, (first + length - 1) // size + 1))
    return tuple(p for p in pages
                 if before[p * size:(p + 1) * size] != target[p * size:(p + 1) * size])


def _ring_bytes(contents: Contents, ring: Ring) -> bytes:
    first = ring.address(0)
    return contents.image[first:first + ring.pages * ring.page_bytes]
