"""Values to a whole-chip image: what a freshly programmed part holds."""

from __future__ import annotations

from paramstore.core.errors import Finding, FindingsError
from paramstore.core.scalars import Raw, StoreRaws
from paramstore.image.wording import breach_help, breach_text
from paramstore.layout.plan import Plan
from paramstore.record import CodecError, encode_body, labelled_image, lay_records
from paramstore.schema.breaches import BreachKind, breaches

__all__ = ["complete", "left_out", "pack", "ungiven", "used_ranges"]

_CODES = {
    BreachKind.LIMIT: "PS506",
    BreachKind.RISING: "PS509",
    BreachKind.BELOW: "PS510",
    BreachKind.TEXT: "PS508",
}


def complete(plan: Plan, values: StoreRaws) -> dict[str, dict[str, tuple[Raw, ...]]]:
    """Return `values`, of which groups and fields may be missing, with every field of every group;
    what is not given has its default.

    Raises CodecError for a group that the plan does not have.
    """
    full = {
        ring.group.name: {f.name: f.default for f in ring.group.fields} for ring in plan.rings
    }
    for name, given in values.items():
        if name not in full:
            raise CodecError(f"the store has no group `{name}`")
        full[name].update(given)
    return full


def ungiven(plan: Plan, values: StoreRaws) -> tuple[str, ...]:
    """Return the names of the protected groups that no value is given for.

    A record of defaults would make them look calibrated, or identified: firmware tells that values
    are defaults only of a group without a record.
    """
    return tuple(group.name for group in plan.schema.groups
                 if group.role.protected and not values.get(group.name))


def left_out(plan: Plan, values: StoreRaws) -> dict[str, tuple[str, ...]]:
    """Return the parameters that no value is given for, by name of their protected group; a record
    holds their defaults, and nothing in it tells these from values that were measured."""
    named = ((group.name, tuple(p.name for p in group.parameters
                                if p.first.name not in values.get(group.name, {})))
             for group in plan.schema.groups if group.role.protected)
    return {group: names for group, names in named if names}


def pack(plan: Plan, values: StoreRaws, *, defaults: bool = False) -> bytes:
    """Return the image of the whole part: both labels, and for each group as many records as it
    has copies, with sequence numbers from 1. All other bytes are FF.

    Groups that are `ungiven` are left without a record, unless a record of their `defaults` is
    wanted. Raises CodecError for values without a field or without bytes, and FindingsError (PS506
    to PS510, without a place) for values that break a limit or a rule.
    """
    full = complete(plan, values)
    image = labelled_image(plan)
    without = () if defaults else ungiven(plan, values)
    for ring in plan.rings:
        if ring.group.name not in without:
            body = encode_body(ring, full[ring.group.name])
            lay_records(image, plan, ring, body, ring.revision)
    _refuse_breaches(plan, full)
    return bytes(image)


def used_ranges(plan: Plan) -> tuple[tuple[int, int], ...]:
    """Return the (first, past the last) addresses of the pages that labels and rings have, those
    of groups that were taken out included.

    A ring is written with its erased slots: a record that is left on a part that was used before
    would have the greater number, and win.
    """
    return ((0, 2 * plan.label_pages * plan.part.page), *(
        (ring.address(0), ring.address(0) + ring.pages * ring.page_bytes)
        for ring in (*plan.rings, *plan.retired)
    ))


def _refuse_breaches(plan: Plan, values: StoreRaws) -> None:
    findings = [
        Finding(_CODES[breach.kind], breach_text(breach, ring.group, given),
                help=breach_help(breach, given))
        for ring in plan.rings
        for given in (values[ring.group.name],)
        for breach in breaches(ring.group, given)
    ]
    if findings:
        raise FindingsError(findings)
