"""What a slot can be: its shape, its look, and a sentence that explains it.

Shapes tell it to whoever cannot tell colours apart. Each is drawn in a square of 12 units; a page
defines them once and uses them everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from paramstore.inspect.describe import repair_text
from paramstore.inspect.slots import SlotKind, SlotVerdict

__all__ = ["SHAPES", "STATES", "State", "mend_text", "shape_definitions", "state_of"]


@dataclass(frozen=True, slots=True)
class State:
    """How a kind of slot is shown; `css` is one of current, older, erased and bad."""

    shape: str
    css: str
    meaning: str

    @property
    def words(self) -> dict[str, str]:
        """The same for a template."""
        return {"shape": self.shape, "css": self.css, "meaning": self.meaning}


STATES = {
    SlotKind.CURRENT: State("current", "current", "the newest record, or a copy of it"),
    SlotKind.OLDER: State("older", "older", "a whole record that a later one replaced"),
    SlotKind.ERASED: State("erased", "erased", "not written yet"),
    SlotKind.TORN: State("torn", "bad", "a write of the next commit was interrupted"),
    SlotKind.FLIPPED: State("flipped", "bad", "a record but for one or two bits"),
    SlotKind.WORN: State("worn", "bad", "did not take the record whose turn it was"),
    SlotKind.MISPLACED: State("misplaced", "bad", "a record that belongs elsewhere"),
    SlotKind.OTHER_STORE: State("foreign", "bad", "a record of another store"),
    SlotKind.DAMAGED: State("damaged", "bad", "no record, for a reason that nothing tells"),
    SlotKind.MISSING: State("missing", "bad", "the dump does not have all of it"),
}


def state_of(verdict: SlotVerdict) -> str:
    """Return what became of a slot, with the number of its record where it has one."""
    record = verdict.slot.record
    number = f", record {record.sequence}" if record.valid else ""
    revision = "" if verdict.revision is None else f", revision {verdict.revision}"
    return f"{verdict.kind.value}{number}{revision}"


def mend_text(verdict: SlotVerdict) -> str:
    """Return which bits would mend a slot, where its reason does not say that already."""
    return "" if verdict.kind is SlotKind.FLIPPED else repair_text(verdict)


SHAPES = {
    "current": '<path d="M6 .8 11.2 6 6 11.2.8 6z"/>',
    "older": '<circle cx="6" cy="6" r="2.4"/>',
    "erased": '<circle class="line" cx="6" cy="6" r="3.6"/>',
    "torn": '<path d="M.5 1h5L4.2 4.6 6 7l-1.8 4H.5z"/>'
            '<path class="line" d="M7.8 1.8h3.4v8.4H6.9L8.6 7 6.7 4.6z"/>',
    "flipped": '<path d="M6 .8 11.2 6 6 11.2.8 6zm0 3.4L4.2 6 6 7.8 7.8 6z"/>',
    "worn": '<path class="line" d="M6 1.8a4.2 4.2 0 1 1-3 1.3M6 4.2v2.4"/>',
    "misplaced": '<path class="line" d="M1 6h8M6 2.5 9.8 6 6 9.5"/>',
    "foreign": '<path class="line" d="M2 2h8v8H2zM2 10 10 2"/>',
    "damaged": '<path class="line" d="M2 2l8 8M10 2l-8 8"/>',
    "newest": '<path d="M6 11 1 1h10z"/>',
    "following": '<path class="line" d="M6 9.6 2.2 1.8h7.6z"/>',
    "missing": '<path class="line" d="M1 6h2.4M4.8 6h2.4M8.6 6H11"/>',
}
"""By name: SVG inside the square. Class `line`: drawn with a line, not filled."""


def shape_definitions() -> Markup:
    """Return the definitions, to stand once on a page: `<use href="#shape-NAME">` draws one."""
    return Markup("").join(
        Markup('<symbol id="shape-{}" viewBox="0 0 12 12">{}</symbol>').format(name, Markup(drawn))
        for name, drawn in SHAPES.items())
