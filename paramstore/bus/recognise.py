"""Is this the part that it should be: of this store, release and size?"""

from __future__ import annotations

from dataclasses import replace

from paramstore.core.errors import Finding, FindingsError, Severity, SourceText
from paramstore.core.format import ERASED
from paramstore.image.contents import Contents, LabelState
from paramstore.image.diagnose import diagnose
from paramstore.inspect.which import release_doubt
from paramstore.releases.project import Project

__all__ = ["being_erased", "recognise", "small_part", "unlabelled", "unlabelled_release"]

_USABLE = (LabelState.OURS, LabelState.BLANK, LabelState.DAMAGED)

_REFUSALS = ("PS605", "PS607", "PS608", "PS609", "PS610", "PS617")
"""What `diagnose` says of a part that is not ours."""

_ANEW = "or, to use the part anew, erase it: `paramstore erase`"


def recognise(contents: Contents, name: str) -> None:
    """Refuse a part that is not of this store, release and size (FindingsError); a blank one is
    fine, and one whose label is damaged while its records are whole.

    `name` is that of the part for people.
    """
    plan = contents.plan
    if contents.label_state in _USABLE:
        if small := small_part(contents, name):
            raise FindingsError(small)
        if contents.label_state is LabelState.OURS or contents.readable or unlabelled(contents):
            return
    if being_erased(contents):
        raise FindingsError([Finding(
            "PS971", "the part was being erased, and that did not end", SourceText(name, ""),
            help="erase it: `paramstore erase`; or write a copy of it back with --exact")])
    refusals = [replace(f, help=f"{f.help}; {_ANEW}" if f.help else _ANEW)
                for f in diagnose(contents, name, "part")
                if f.severity is Severity.ERROR and f.code in _REFUSALS]
    raise FindingsError(refusals or [Finding(
        "PS962", f"the part was written by another release than {plan.release}",
        SourceText(name, ""), help="give the schema with the releases up to that one")])


def unlabelled(contents: Contents) -> bool:
    """Whether a part is blank as far as this store goes, or its very first write was cut: that
    begins with copy 1 of the label."""
    first = contents.image[:contents.plan.label_bytes]
    return (contents.label_state in (LabelState.BLANK, LabelState.DAMAGED)
            and first.count(ERASED) == len(first) and not contents.readable
            and not any(g.lost for g in contents.groups))


def being_erased(contents: Contents) -> bool:
    """Whether an erasing did not end: copy 0 of the label names no store (FORMAT.md, 2)."""
    return contents.label_state is LabelState.ERASING


def small_part(contents: Contents, name: str) -> tuple[Finding, ...]:
    """Return an error (PS961) if a part has half the size: what is in its first half comes again in
    the second one."""
    plan, image = contents.plan, contents.image
    half = plan.part.capacity // 2
    for copy in (0, 1):
        at = plan.label_address(copy)
        label = image[at:at + plan.label_bytes]
        if contents.labels[copy] and label == image[half + at:half + at + len(label)]:
            return (Finding(
                "PS961", f"the part has less than the {plan.part.capacity} bytes of the "
                f"{plan.part.name}", SourceText(name, ""),
                notes=(f"the label at 0x{at:04X} comes again at 0x{half + at:04X}",),
                help="fit the part of the schema, or give the schema of this part"),)
    return ()


def unlabelled_release(contents: Contents, project: Project, name: str) -> tuple[Finding, ...]:
    """Return a warning (PS658) if a part has records and no label, and there are releases that keep
    them elsewhere."""
    if contents.label is not None or not contents.readable:
        return ()
    return release_doubt(
        contents.plan, (project.plan, *project.history.plans), SourceText(name, ""), "part",
        "see with `paramstore read --release` whether it is of another one, before you write")
