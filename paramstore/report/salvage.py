"""What a salvaged image was made of, in text and as data."""

from __future__ import annotations

from paramstore.core.text import JsonObject
from paramstore.core.words import plural
from paramstore.image.wording import BLANK
from paramstore.inspect.salvage import GroupSource, Salvage, SourceKind
from paramstore.inspect.slots import SlotKind
from paramstore.report.findings import Style, no_style
from paramstore.report.wording import SERVED_DEFAULTS

__all__ = ["salvage_data", "salvage_text"]


def salvage_text(saved: Salvage, style: Style = no_style) -> str:
    """Return where each group of a salvaged image comes from, one line or more each."""
    width = max(len(s.group) for s in saved.sources)
    lines = []
    for source in saved.sources:
        part = {SourceKind.REPAIRED: "warning", SourceKind.DEFAULTS: "error",
                SourceKind.LOST: "error"}.get(source.kind, "mend")
        lines.append(f"{source.group:{width}}  {style(_source(source), part)}")
        if source.repair is not None:
            bits = ", ".join(f"bit {b.bit} of byte {b.offset}" for b in source.repair.bits)
            lines.append(f"{'':{width}}  changed back: {bits} of the record")
        if source.offered is not None and source.offered.repair is not None:
            repair = source.offered.repair
            lines.append(f"{'':{width}}  --repair would take record {repair.sequence}, which needs "
                         f"{plural(len(repair.bits), 'bit')} changed")
        if source.newer is not None:
            what = ("is not whole in the dump" if source.newer.kind is SlotKind.MISSING
                    else "cannot be read, nor mended")
            none = source.kind in (SourceKind.DEFAULTS, SourceKind.LOST)
            doubt = "a record may be lost" if none else "it may be an older one"
            lines.append(f"{'':{width}}  {style(doubt, 'warning')}: slot "
                         f"{source.newer.slot.number} {what}, and may have held a "
                         + ("record" if none else "newer record"))
        if source.defaulted:
            names = ", ".join(source.defaulted)
            lines.append(f"{'':{width}}  {style('defaults', 'error')} for {names}: "
                         "the stored values do not fit the schema")
    return "\n".join(lines) + "\n"


def _source(source: GroupSource) -> str:
    if source.kind is SourceKind.DEFAULTS:
        return "defaults: no record can be read"
    if source.kind is SourceKind.LOST:
        return f"no record can be read; left without one, {SERVED_DEFAULTS}"
    if source.kind is SourceKind.BLANK:
        return f"{BLANK}; left without a record, {SERVED_DEFAULTS}"
    if source.kind is SourceKind.MIGRATED:
        return "what an earlier release kept elsewhere, converted"
    return f"{source.kind.value} {source.sequence} from slot {source.slot}"


def salvage_data(saved: Salvage) -> JsonObject:
    """Return the sources of a salvaged image as plain data for JSON."""
    return {"complete": saved.complete, "groups": [
        {"name": s.group, "from": s.kind.value, "sequence": s.sequence, "slot": s.slot,
         "newer_in_slot": next((v.slot.number for v in (s.offered, s.newer) if v), None),
         "repaired_bits": [{"offset": b.offset, "bit": b.bit} for b in s.repair.bits]
         if s.repair else [], "defaulted": list(s.defaulted)}
        for s in saved.sources]}
