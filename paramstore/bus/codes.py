"""The findings of parts on a bus (PS96x)."""

from __future__ import annotations

from paramstore.errors import Code

__all__ = ["CODES"]

CODES: dict[str, Code] = {
    "PS961": Code(
        "the part is larger or smaller than planned",
        "A part that is too small shows its first bytes again further up, because it ignores the "
        "address bits that it does not have. Written as the larger one, it would be written over "
        "twice.",
    ),
    "PS962": Code(
        "an image that does not go with the part",
        "Values are taken from an image of the same store and layout as the part has. An image of "
        "another release is brought to that of the part by `paramstore migrate`.",
    ),
    "PS963": Code(
        "values that break the schema",
        "What would be on the part, its own values with the new ones among them, breaks a limit or "
        "a rule of the schema. The firmware would not serve it.",
    ),
    "PS964": Code(
        "a group that is kept",
        "Identity and calibration belong to a unit. They are kept, whatever the image says, unless "
        "`--unlock` opens them. On a part that has no record of such a group it is written.",
    ),
    "PS965": Code(
        "a group that the part has lost",
        "The ring of the group holds bytes, but no whole record: all copies are damaged, or its "
        "very first write was cut. A write gives it what was given, with defaults for the rest; a "
        "group of identity or calibration of which nothing is given stays lost.",
    ),
    "PS966": Code(
        "a page that does not take what is written",
        "The part acknowledged the page, and reads back something else. Its write-protect pin is "
        "high, the page is worn out, or the supply fails during the write cycle. A slot of a ring "
        "is passed over, as firmware does it; this is a page of the label, or of a ring that has "
        "no other slot left. What was there before counts still: a group is replaced by a whole "
        "new record or not at all.",
    ),
    "PS967": Code(
        "a part of another unit",
        "The serial number on the part is not that of the image. So the wrong part is in the "
        "holder, or the wrong image was named: nothing is written, and nothing noted for the unit "
        "of the image. A part without a number, such as one that its firmware seeded, becomes the "
        "unit of an image with `--unlock`. An image without one is written; identity stays.",
    ),
    "PS968": Code(
        "a group with damaged slots",
        "The values are read from a whole record, so nothing is lost. But a slot that should hold "
        "another copy, or an older record, is damaged: by a power cut in a commit, which the next "
        "commits mend, by wear, or by something that has no business on the part. A unit that "
        "leaves production should have none.",
    ),
    "PS969": Code(
        "a part that takes no data",
        "The part answers when it is read, and acknowledges no data: some parts refuse them while "
        "their write-protect pin is high. Nothing was written.",
    ),
    "PS971": Code(
        "a part whose erasing did not end",
        "While a part is being erased, or given an image whose rings lie elsewhere, its label "
        "names no store, so that firmware leaves alone what is only half there. The work was "
        "stopped: repeat it.",
    ),
    "PS973": Code(
        "a record that must not be written over",
        "Numbers of records only grow. A ring whose numbers are used up takes no record any more; "
        "and where a record was to go, there is one that is newer than all that were seen when the "
        "part was read. Nothing is written over it.",
    ),
    "PS972": Code(
        "a slot that was passed over",
        "The slot acknowledged its record and reads back something else: it is worn out or "
        "damaged. The record went into the next slot, as firmware does it.",
    ),
}
"""Kinds of findings of this package."""
