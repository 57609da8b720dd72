"""What a slot can be: its shape, its look, and a sentence that explains it."""

from __future__ import annotations

from dataclasses import dataclass

from paramstore.inspect.describe import repair_text
from paramstore.inspect.slots import SlotKind, SlotVerdict

__all__ = ["STATES", "State", "mend_text", "state_of"]


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
