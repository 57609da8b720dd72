"""The findings a layout can give: PS40x stops the work, PS42x is advice."""

from __future__ import annotations

from paramstore.errors import Code

__all__ = ["CODES"]

CODES: dict[str, Code] = {
    "PS401": Code(
        "the store is too large for the part",
        "Even with the fewest slots that each group can do with, the rings need more pages than "
        "the part has. A group takes slots x pages per slot; a slot is a whole number of pages, "
        "because a page write that is cut may harm everything in its page. Take a larger part, "
        "or make the group that the finding points at smaller.",
    ),
    "PS402": Code(
        "a group is written too often for the part",
        "The slots of a ring take turns, so that no page is written more often in the life of "
        "the store than the part endures at the temperature given. A group that is written often "
        "needs many slots, and these do not fit. Write it less often, ask for a shorter life, "
        "keep what changes often in a group of its own so that its record fills fewer pages, or "
        "take a part with more pages or more endurance.",
    ),
    "PS403": Code(
        "too few slots for the copies of a group",
        "A commit writes `copies` records one after another and never the slot of the newest "
        "good record, so a ring needs at least one slot more than it has copies. One slot cannot "
        "hold a group at all: a power cut in a write would take the only record with it.",
    ),
    "PS404": Code(
        "a record is too long",
        "The tables of the firmware count the bytes of a slot in 16 bits. Split the group.",
    ),
    "PS405": Code(
        "the part that stays writable is too small",
        "The write-protect pin of this part covers only the upper end of the array. Identity and "
        "calibration are laid there; settings and counters must stay below it, or the pin would "
        "stop them too, and there they do not fit. Take a part whose pin covers all or nothing, "
        "or a larger one.",
    ),
    "PS406": Code(
        "a group is written more often than records can be numbered",
        "Records carry a sequence number of 32 bits that only grows; that it never wraps is what "
        "makes the newest record certain. At the rate and life given it would run out.",
    ),
    "PS407": Code(
        "new groups do not fit beside the released ones",
        "Rings of released groups, those of groups that were taken out included, stay where they "
        "are, because units in the field have them there. A new group needs a gap of free pages "
        "that is long enough for its whole ring.",
    ),
    "PS408": Code(
        "the rings do not fit around half the capacity",
        "On a part of half the size every address is read modulo that size, so that the label "
        "shows up at half the capacity wanted: that is how mount knows a part that is too small. "
        "No slot may therefore contain the page there but as its first page, which begins with a "
        "sequence number and cannot look like a label. With long slots that can leave gaps that no "
        "other ring fits in. Make slots shorter, split a group, or take a larger part.",
    ),
    "PS421": Code(
        "a large group is written often",
        "Every commit writes the whole record. If only some of its parameters change at the rate "
        "given, the others wear out pages and cost time for nothing. Which ones those are is "
        "guessed from types and limits (texts, curves and what has limits hardly ever count); "
        "only you know. The pages saved are computed for a second group that needs no more than "
        "the fewest slots. A group whose `slots` are given is taken to be as you want it.",
    ),
    "PS422": Code(
        "a ring of two slots",
        "Two slots survive any power cut, but leave no slot to go to when one of them is worn "
        "out: the group can then no longer be written. Three slots can pass over a bad one.",
    ),
    "PS423": Code(
        "the life is longer than the retention",
        "The maker states how long a cell keeps its charge after it was written. What is written "
        "once, such as a serial number, must be read back at the end of the life wanted.",
    ),
    "PS424": Code(
        "a protected group lies outside the write-protectable area",
        "The upper end of this part can be protected by a pin. The group did not fit there any "
        "more and lies in the open part of the array. Firmware still asks for an unlock.",
    ),
    "PS425": Code(
        "a record is longer than the CRC is strongest for",
        "Up to a certain length the CRC finds every error of up to five bits; in longer records "
        "every error of up to three bits, and all others but one in 2^32. Splitting the group "
        "gives the stronger promise back.",
    ),
    "PS426": Code(
        "the slots given wear out before the life is over",
        "`slots` in the schema overrules the planner. With the write rate given, the pages of "
        "this ring reach the endurance of the part too early. Leave `slots` out to have the "
        "number computed.",
    ),
}
"""Kind of finding by code."""
