"""The findings of values files (PS5xx), image files and dumps (PS6xx)."""

from __future__ import annotations

from paramstore.errors import Code

__all__ = ["CODES"]

_VALUES: dict[str, Code] = {
    "PS501": Code(
        "no such group",
        "A values file has one table for each group of the schema, such as `[settings]`, and in "
        "it the parameters of that group. A group that the schema does not have has no place in "
        "the image. A group that is left out keeps its defaults.",
    ),
    "PS502": Code(
        "no such parameter",
        "The table of a group may only name parameters of that group. A name that is not known is "
        "refused rather than left out, because a misspelt parameter would silently keep its "
        "default.",
    ),
    "PS503": Code(
        "not the shape of a values file",
        "A values file has tables at the top, one for each group, and values in them: no value "
        "stands outside a table, and no table stands inside one.",
    ),
    "PS504": Code(
        "a value of the wrong type",
        "Numbers are written as numbers, or as a text with the unit of the schema; an enumeration "
        "as the name of a member; flags as a list of names; bytes as a text of hex digits; a date "
        "as 2026-01-31; an array as a list of as many values as it has elements, or one value for "
        "all of them; a curve as a list of [x, y] points.",
    ),
    "PS505": Code(
        "not the unit of the schema",
        "A value may carry its unit, as in \"-58.2 mV/pH\". The unit is compared with the one in "
        "the schema, letter by letter; nothing is converted.",
    ),
    "PS506": Code(
        "a value outside its limits",
        "The schema gives each parameter a range (`min`, `max`), and the stored type has one of "
        "its own. Firmware would not take such a value: it would serve the default instead.",
    ),
    "PS507": Code(
        "no such member",
        "An enumeration takes the names that its `members` list, flags a list of such names.",
    ),
    "PS508": Code(
        "a text or byte string that does not fit",
        "A text may have at most as many bytes in UTF-8 as its `size`; letters beyond ASCII take "
        "2 to 4 bytes. A byte string must have exactly as many as its `size`.",
    ),
    "PS509": Code(
        "a curve that does not rise",
        "Each x of a curve must be greater than the one before, after rounding to the stored "
        "type. Interpolation between two points with the same x would divide by zero.",
    ),
    "PS510": Code(
        "two values in the wrong order",
        "The schema says with `below` that one parameter must stay below another. The rule is "
        "checked on the values as they are stored, with defaults where the file is silent.",
    ),
    "PS511": Code(
        "a value that storage rounds",
        "A scaled integer holds whole steps of its `scale`, an f32 about 7 digits. The value is "
        "stored as the nearest one; this warning tells how far off that is. Write the stored "
        "value to silence it, or give the parameter a finer scale.",
    ),
    "PS512": Code(
        "not a setting",
        "`--set` takes GROUP.PARAMETER=VALUE. The value is written as in a values file; quotes "
        "around a name or a text may be left out, and flags may be written as `low,high`.",
    ),
}

_IMAGES: dict[str, Code] = {
    "PS601": Code(
        "the dump ends before the part does",
        "The dump has fewer bytes than the part of the schema. Slots past its end cannot be "
        "read, and it may have been read from another part, or be a part of a larger dump. A "
        "warning where only free pages are missing, as in an image of the used pages alone.",
    ),
    "PS602": Code(
        "the dump is longer than the part",
        "Only the first bytes, as many as the part has, were read. A part smaller than the one "
        "that was assumed when it was read repeats itself: it may be such a dump.",
    ),
    "PS603": Code(
        "addresses missing in the file",
        "A file with addresses may leave some out, and a log may lack lines. Nobody knows what "
        "stands there: slots that are not whole without these bytes count as missing, which is an "
        "error. It is a warning where nothing of the store lies there, or a CRC shows that all of "
        "the missing bytes of a record are FF.",
    ),
    "PS604": Code(
        "the part is blank",
        "Every byte reads FF, as a new part does, and as a bus does on which no part answers. "
        "There is nothing to decode.",
    ),
    "PS605": Code(
        "no whole label",
        "The label names the store and its layout. Both copies are damaged or erased, so nothing "
        "proves that this schema is the right one. Records are read all the same: their CRC "
        "covers the store and the group, so a record that is shown is one of this store.",
    ),
    "PS606": Code(
        "one label copy damaged",
        "The label is kept twice and the other copy is whole, so nothing is lost. Firmware "
        "writes the damaged copy anew with `ps_format`.",
    ),
    "PS607": Code(
        "another store",
        "The label names another store than the schema does. Its records cannot be read with "
        "this schema: their CRC covers the store. Unpack with the schema of that store.",
    ),
    "PS608": Code(
        "another part",
        "The label was written for a part with another page size or capacity.",
    ),
    "PS609": Code(
        "another layout",
        "The label names this store, but another layout: a field was added, moved or resized, or "
        "a ring has other pages. Groups may be read wrongly or not at all. Use the schema that "
        "the unit was made with.",
    ),
    "PS610": Code(
        "another format version",
        "The label was written by a version of the format that this program does not know.",
    ),
    "PS611": Code(
        "slots without a record of their own",
        "A slot holds bytes that are no record, or a record that belongs elsewhere. A power cut "
        "in a commit leaves one such slot and does no harm: the newest whole record counts, and a "
        "later commit writes over the slot. Several, or one in a group that is not being written, "
        "point at wear, bit errors or a bad read: read the part again and compare.",
    ),
    "PS612": Code(
        "a group is lost",
        "The ring of the group holds bytes, but not one whole record. The values shown are the "
        "defaults of the schema, as firmware would serve them, with a flag.",
    ),
    "PS613": Code(
        "a group was never written",
        "All slots of the ring are erased, or its first write was begun and cut before its end. "
        "The values shown are the defaults of the schema: firmware serves them, and says so. An "
        "image has no record of an identity or calibration group that no value was given for, so "
        "that no unit looks calibrated that is not.",
    ),
    "PS614": Code(
        "a stored value breaks the schema",
        "The record is whole, but a value in it cannot be, or is outside its limits, or two values "
        "are in the wrong order. It was written with other limits, or by other means than the "
        "runtime. Firmware serves the default of the whole parameter, of both if two are in the "
        "wrong order, and flags the group; reports do the same and show what is stored beside it.",
    ),
    "PS615": Code(
        "a record of a later revision",
        "Firmware of a later release wrote the group. Fields keep their places for ever, so those "
        "that this release knows are right; what the later one added is kept, but not shown.",
    ),
    "PS616": Code(
        "two different labels",
        "Both copies of the label are whole but do not say the same. Copy 1 is written before "
        "copy 0, so a power cut between the two leaves the newer one in copy 1. Copy 0 counts.",
    ),
    "PS617": Code(
        "another branch of the store",
        "The label names this store and series, but a release that led to it is another one than "
        "the release of that number beside the schema: two were frozen apart from each other. The "
        "layout id of a release covers that of the release before it, and a label has a byte of "
        "each of the last four, so this shows in later releases too. From the parting on fields "
        "of both branches share bytes, so no value is shown, and firmware refuses the part.",
    ),
    "PS618": Code(
        "a part that was being erased",
        "A wipe begins with a label that names no store, so that firmware refuses the part until "
        "the wipe has come to its end. Records that are still there no longer count, and no value "
        "is shown.",
    ),
    "PS619": Code(
        "a protected group without a record",
        "Other groups were committed again and again, so the unit is in use, but the ring of this "
        "identity or calibration is erased. Nothing on the part tells whether it was erased or "
        "never had a record. The firmware serves defaults and says so.",
    ),
    "PS620": Code("an image file without data", "The file is empty, or has no data record."),
    "PS621": Code(
        "not a record of its form",
        "A line of Intel HEX is `:`, then byte count, address (2 bytes), type, data and checksum, "
        "in pairs of hex digits; types 00 to 05 exist. An S-record is `S` and a type (0 to 3, 5 to "
        "9), then byte count, address, data and checksum. A C array holds numbers and nothing that "
        "a compiler would have to work out.",
    ),
    "PS622": Code("a record with the wrong length",
                  "The first byte of a record is the number of its bytes. The line was cut, or "
                  "characters were lost or added."),
    "PS623": Code("a record with the wrong checksum",
                  "All bytes of a record, the checksum included, add up to 0 modulo 256 in Intel "
                  "HEX, and to 255 in an S-record. A digit was changed."),
    "PS624": Code("the file was cut short, or joined",
                  "Intel HEX ends with `:00000001FF`, S-records with S7, S8 or S9 and perhaps "
                  "their count before it, and each block of UF2 says how many there are. Without "
                  "the end nothing tells a whole file from one that was cut short; behind it "
                  "nothing may follow."),
    "PS625": Code("an address given twice",
                  "Two records or lines give the same address. Even if they agree, the file is not "
                  "what a programmer or a reader writes: mostly it holds more than one dump."),
    "PS626": Code("addresses that are not those of the part",
                  "The file holds data that the part of the schema has no room for. Where the "
                  "EEPROM lies elsewhere in the file, `--offset` gives the address of its first "
                  "byte. A text of more than 8 MiB is no dump of one EEPROM either."),
    "PS627": Code("a block of UF2 is not whole",
                  "A block has 512 bytes, three magic numbers, at most 476 bytes of data at an "
                  "address that is a multiple of 4, and a number below the count of blocks."),
    "PS628": Code("the form of a file is doubtful",
                  "The form is told by the content: the records of Intel HEX or S-records, the "
                  "blocks of UF2, numbers in braces, lines of hex digits, or bytes that no text "
                  "has. This file bears no such sign, or several, or that of another "
                  "form than was asked for; `--format` says what it is."),
    "PS629": Code("no dump in a text, or several",
                  "The text holds no lines of hex digits and no array of numbers, or more than one "
                  "array. Leave the dump in it that is meant."),
    "PS630": Code("the order of bytes in words is doubtful",
                  "Some programs show 16-bit words as the number a processor reads, others the "
                  "bytes in their order. An ASCII column tells which, and so does a label, a "
                  "record or a fixed layout that is known. Without any, `--words big` or "
                  "`--words little` must say it."),
    "PS631": Code("dump lines contradict each other",
                  "Addresses do not go up as the lines are long, the text holds lines of two "
                  "shapes, a first number may be an address or data, addresses may be hexadecimal "
                  "or octal, a line among the others is one of them but for a sign that is no "
                  "hex digit, or has a byte or two too many or, without addresses, too few. A "
                  "dump is never guessed: make the text unambiguous."),
    "PS632": Code("an ASCII column that does not show its bytes",
                  "The hex digits of a line and the letters beside them do not agree. The digits "
                  "count, but one of the two was changed: compare with another reading."),
    "PS633": Code("lines that are no part of the dump",
                  "A console log has other lines between those of a dump. They are passed over; if "
                  "one of them was part of the dump, its bytes are missing."),
    "PS634": Code("a repeated line without an end",
                  "A line of stars says that the line before goes on up to the next address, and "
                  "no address follows. What comes after the line is taken as not read."),
    "PS635": Code("a line that is a byte or two short",
                  "All other lines of the dump are longer, so bytes of this one were lost, and "
                  "nothing tells which. With addresses those behind it are in their places all the "
                  "same."),
    "PS636": Code("a C array that is longer than its numbers",
                  "C fills the elements of an array that are not given with 0, and so does the "
                  "dump. Programs write all of them out, so it is likelier that the text was cut."),
    "PS637": Code("lines of numbers that cannot be read",
                  "Beside the lines that were read as a dump the text has as many others with "
                  "numbers in them. They may be the larger part of it: values in another base, or "
                  "a second dump. What could be read would be a dump with holes."),
    "PS638": Code("the base of numbers is doubtful",
                  "Programs write bytes in hexadecimal, decimal, octal or binary. Letters among "
                  "the digits, padding, an ASCII column, addresses, a label or a record tell "
                  "which. Numbers that can be both are refused: 12 may be 12 or 18."),
    "PS640": Code("a target that the store does not have",
                  "`to` in the schema of a fixed layout names a parameter, or a name of a member, "
                  "that the store does not have. A value would be lost for a spelling mistake."),
    "PS641": Code("a value of another kind",
                  "Numbers go to numbers, texts to texts, names of an enum to names, arrays to "
                  "arrays of as many elements. Nothing else is converted."),
    "PS642": Code("a value in another unit",
                  "The fixed layout and the store have different units for the parameter. Its `to` "
                  "must say how a value converts, such as `to = { factor = 0.001 }`."),
}

CODES: dict[str, Code] = {**_VALUES, **_IMAGES}
