"""The findings that the schema of a fixed layout can give besides those of any schema: PS35x.

Each explanation says what is wrong, why it matters, and shows how to mend it.
"""

from __future__ import annotations

from paramstore.errors import Code

__all__ = ["CODES"]

CODES: dict[str, Code] = {
    "PS350": Code(
        "an address outside of the image",
        "A fixed layout has `size` bytes, at the addresses 0 to `size` - 1. Something in it ends "
        "behind them. Addresses in a group count from the `at` of the group: an address that was "
        "copied from a table of the whole image is too large by that much.",
    ),
    "PS351": Code(
        "bits with two meanings",
        "Two parameters or checksums claim the same bits, so one of the addresses is wrong. Only "
        "groups that are alternatives may share bytes: their `when` must show that never both are "
        "there, because it asks the same bits for different values.\n\n"
        "    [group.timing]\n"
        "    when = { bits = [\"0\", \"1\"], not = 0 }\n"
        "    [group.name]\n"
        "    when = { bits = [\"0\", \"1\", \"3\"], is = 0x0000FC }",
    ),
    "PS352": Code(
        "bits that cannot be read",
        "A piece of `bits` is `ADDRESS`, a whole byte; `ADDRESS.BIT`; or `ADDRESS.HIGH-LOW`. Bit 7 "
        "is the highest of a byte. The pieces stand in the order of the value, its highest bits "
        "first.\n\n"
        "    width = { type = \"u16\", bits = [\"58.7-4\", \"56\"] }     12 bits",
    ),
    "PS353": Code(
        "bits that do not suit the type",
        "The value has more bits than its type, a member or constant needs more than there are, or "
        "packed letters do not come out even. Count the bits of all pieces.",
    ),
    "PS354": Code(
        "a parameter without a place, or with two",
        "A parameter lies `at` the address of its first whole byte, or is made up of `bits`. It "
        "needs one of them.",
    ),
    "PS355": Code(
        "blocks or elements that do not fit",
        "A group with a `count` stands that many times in the image, `every` so many bytes, and "
        "its blocks may not run into each other. The same holds for the elements of an array.\n\n"
        "    [group.channel]\n    at = 0x20\n    count = 4\n    every = 12",
    ),
    "PS356": Code(
        "two groups of one name",
        "The blocks of a group with a `count` are called NAME_1, NAME_2 and so on, and another "
        "group has one of these names.",
    ),
    "PS357": Code(
        "a wrong range of a checksum",
        "`over` names the bytes that are checked, as FIRST-LAST, each once, without the checksum. "
        "If the makers of the layout computed it over a structure that has the checksum in it, "
        "`itself` says what its bytes counted as, mostly 0.",
    ),
    "PS358": Code(
        "wrong parameters of a checksum",
        "A Fletcher checksum has 16, 32 or 64 bits. A CRC needs `width` and `polynomial`, "
        "written without its highest bit; `initial`, `final` "
        "and `reflected` as catalogues give them. `sample` is its value over the nine characters "
        "123456789: with it a wrong parameter shows here, not as wrong checksums in dumps.\n\n"
        "    crc = { type = \"crc\", width = 16, polynomial = 0x1021, initial = 0xFFFF, "
        "sample = 0x29B1, over = [\"0-13\"], at = 14 }",
    ),
    "PS359": Code(
        "a condition that cannot be judged",
        "`when` names bits and one of four things. With `is` the group is there if they have that "
        "value, with `not` if they have any other one, with `above` if theirs is greater, with "
        "`bit` if that bit of them is 1. Addresses count from the block, or from the image: then "
        "`bit` and `above` go up by one from block to block, for a bit mask or a count in a head "
        "of the image.\n\n"
        "    [group.channel]\n    at = 8\n    count = 4\n    every = 12\n"
        "    when = { bits = [\"3\"], from = \"image\", above = 0 }",
    ),
    "PS360": Code(
        "a word that is not one of the choices",
        "`order` is `little` or `big`; a checksum is a `sum`, a `sum_zero` (what makes the sum of "
        "the range and itself zero), a `xor`, a `fletcher` or a `crc`; a text is in `utf-8` or "
        "`latin-1`; `bits` of a `when` count from the `block` or the `image`; a number can be in "
        "`bcd`, a date in `bcd`, `unix` or `packed`.",
    ),
    "PS361": Code(
        "a target that cannot take the value",
        "`to` names the parameter of a store, GROUP.PARAMETER, that `paramstore migrate` gives the "
        "value to. Each takes one value, or an array one from each block of a group.",
    ),
    "PS362": Code(
        "nothing is described",
        "A layout needs groups, and a group parameters or checksums.",
    ),
    "PS363": Code(
        "an alphabet that does not work",
        "Packed letters are numbers; `alphabet` has their letters in order, each once, and `first` "
        "the number of the first one. Every number must fit in the bits of a letter.",
    ),
    "PS364": Code(
        "a first date that does not go with the coding",
        "`since` is the date from which a count of days begins. Of `packed` dates, and of `bcd` "
        "ones with two digits for the year, only its year counts, so it is a 1 January. `unix` "
        "dates always count from 1970-01-01.\n\n"
        "    made = { type = \"date\", at = 0, coding = \"packed\", since = 1980-01-01 }",
    ),
    "PS365": Code(
        "a stored scale that cannot be",
        "`scale_from` names a number of the same group, or GROUP.NAME of a group with one block; "
        "the scale is multiplied by its value or, with `base`, by that to the power of its value. "
        "Limits and constants would be other stored numbers in each image, so they cannot be "
        "given.\n\n"
        "    exponent = { type = \"i8\", at = 2 }\n"
        "    gain = { type = \"u16\", at = 0, scale_from = \"exponent\", base = 10 }",
    ),
    "PS366": Code(
        "copies that cannot be told apart",
        "The blocks of a group with `copies` all hold the same thing; the newest right one counts. "
        "A checksum says which are right. The parameter that `copies` names is their sequence "
        "number, an unsigned whole number that each write counts up and that may roll over; with "
        "`copies = \"\"` the first right one counts.\n\n"
        "    [group.settings]\n    count = 2\n    every = 64\n    copies = \"sequence\"",
    ),
}
"""Kinds of findings of this package."""
