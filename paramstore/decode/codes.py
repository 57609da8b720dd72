"""The findings about a dump as a whole, its slots and its past (PS65x, PS66x)."""

from __future__ import annotations

from paramstore.errors import Code

__all__ = ["CODES"]

CODES: dict[str, Code] = {
    "PS651": Code(
        "the part begins elsewhere in the file",
        "The file holds addresses beyond the part, as an image inside the flash of a controller "
        "does. Where its label stands, or else where the file begins, is taken for address 0.",
    ),
    "PS652": Code(
        "the dump is shifted",
        "Nothing of the store is whole at its place, but labels or records are whole a fixed "
        "number of bytes away: bytes were lost or added at the front, or the part was read from "
        "another address on, round its end. The dump was moved by that much.",
    ),
    "PS653": Code(
        "an address line without effect",
        "The dump is the same on both sides of an address line, and something whole appears where "
        "it cannot be. The line is broken or stuck, or the part was read as one with fewer address "
        "bits. Half of the part was not read: it is missing in the report, where whole records or "
        "labels tell which half.",
    ),
    "PS654": Code(
        "bytes the wrong way round",
        "Nothing of the store is whole as the dump stands, but labels or records are when the "
        "bytes of each word change places. The dump was written word by word.",
    ),
    "PS655": Code(
        "the part was read several times over",
        "The dump is longer than the part and repeats itself after its size: the addresses of a "
        "part go round at its end. It was read as a larger one.",
    ),
    "PS656": Code(
        "the schema was found by its records",
        "No label can be read. The schema is the one whose records are whole: their CRC covers "
        "the store and the group, so a record does not pass for one of another store.",
    ),
    "PS657": Code(
        "which schema is doubtful",
        "The label names no schema that was given, and records fit none of them, or several "
        "alike. A dump is not read with a schema that nothing speaks for, unless that schema is "
        "given by name: a folder names none, even if it holds only one.",
    ),
    "PS658": Code(
        "which release is not told",
        "The records are of this store, but no label can be read, so nothing says which release of "
        "it wrote them. Groups that are at the same place in all of them are read right by any; "
        "values that a release converts, or keeps elsewhere, are shown as that release sees them.",
    ),
    "PS659": Code(
        "bytes are missing in the middle of the dump",
        "The dump has no addresses and not the length of the part, and a record that is whole "
        "stands some bytes before or behind its place while what is in front of it is in place: "
        "a line was lost, or copied twice. Behind it nothing is where it belongs, so that counts "
        "as not read.",
    ),
    "PS660": Code(
        "an interrupted write",
        "The slot that the next commit writes holds neither its old record nor a whole new one: "
        "power went while its page was being written. The values are those of the commit before. "
        "The next commit writes over the slot, so this mends itself.",
    ),
    "PS661": Code(
        "one or two bits changed",
        "The record would be whole if these bits were changed back. It is not taken for whole: "
        "`paramstore salvage --repair` does, and says so. Bits change by wear, heat, radiation, or "
        "a disturbed reading: read the part again first. In the slot of the newest record a write "
        "that was cut just before its end leaves the same: then the record was never acknowledged, "
        "else it is the newest one. The bytes do not tell which.",
    ),
    "PS662": Code(
        "a slot that did not take its record",
        "A commit passes over a slot whose page does not read back as written. It means a worn or "
        "defective page, or a write that had no effect because the part was write-protected.",
    ),
    "PS663": Code(
        "a record in the wrong place",
        "A whole record of this store stands in a slot that is not its own: an address bit was "
        "wrong in a write, or the image was put together from pieces. It does not count.",
    ),
    "PS664": Code(
        "a record of another store",
        "The CRC of the record fits a store with another id. It was left by other firmware, and "
        "does not count here.",
    ),
    "PS665": Code(
        "a damaged slot",
        "The slot is not one that the next commit writes, so no interrupted write explains it, "
        "and more than two bits differ from a whole record. Wear, a bad read, or bytes written "
        "past the runtime.",
    ),
    "PS666": Code(
        "sequence numbers missing or given twice",
        "Between the oldest and the newest record that can be read, numbers are missing where a "
        "slot is not whole, or was passed over. A number twice means a record in the wrong place.",
    ),
    "PS667": Code(
        "the ring nears the end of its life",
        "By its sequence numbers the ring has used most of the write cycles that its pages are "
        "rated for, at the temperature of the schema. The rating is a statistical statement, no "
        "cliff; plan to replace the part, or to store less often.",
    ),
    "PS668": Code(
        "bytes where nothing belongs",
        "A page that no ring or label has is not erased. Earlier firmware may have left it, or a "
        "write went to a wrong address.",
    ),
    "PS670": Code(
        "a checksum of a fixed layout is wrong",
        "The checksum that is stored is not the one that the bytes of its range give. Bytes were "
        "changed or read wrongly. If all units show it, the schema of the layout is wrong: prove "
        "the parameters of a CRC with `sample`, look at the range and the byte order.",
    ),
    "PS671": Code(
        "a constant has another value",
        "The schema says that this value is always the same. Either the dump is not of this "
        "layout, or of another version of it, or bytes were changed.",
    ),
    "PS673": Code(
        "no copy of a group is right",
        "The schema says that the group is stored several times, each copy with its checksum. In "
        "this dump none of them is whole: the bytes were changed, read wrongly, or never written. "
        "`paramstore migrate` gives the defaults to what they should have become.",
    ),
    "PS674": Code(
        "copies of a group that contradict each other",
        "Several copies are right and hold different values, and their sequence numbers do not "
        "tell which was written last. Firmware that writes the copies one after the other never "
        "leaves this; two dumps that were put together do. `paramstore migrate` takes none.",
    ),
    "PS675": Code(
        "bits that stand for nothing",
        "The schema says how a number or a date is coded, and the bits that are there are none: a "
        "hexadecimal digit above 9 in a BCD number, a month 13. Mostly it was never set, the "
        "coding in the schema is another one than the firmware's, or the address is wrong. "
        "`paramstore migrate` gives the default to what such bits should have become.",
    ),
    "PS672": Code(
        "the fixed layout was found by its constants",
        "A fixed layout has no label. Among the schemas given it is the only one whose constants "
        "and checksums are all right, and they are too many bits for a chance.",
    ),
}
