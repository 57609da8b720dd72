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
        "A CRC needs `width` and `polynomial`, written without its highest bit; `initial`, `final` "
        "and `reflected` as catalogues give them. `sample` is its value over the nine characters "
        "123456789: with it a wrong parameter shows here, not as wrong checksums in dumps.\n\n"
        "    crc = { type = \"crc\", width = 16, polynomial = 0x1021, initial = 0xFFFF, "
        "sample = 0x29B1, over = [\"0-13\"], at = 14 }",
    ),
    "PS359": Code(
        "a condition that cannot be judged",
        "`when` names bits and one value: with `is` the group is there if they have it, with `not` "
        "if they have any other one.",
    ),
    "PS360": Code(
        "a word that is not one of the choices",
        "`order` is `little` or `big`; a checksum is a `sum`, a `sum_zero` (what makes the sum of "
        "the range and itself zero), a `xor` or a `crc`; a text is in `utf-8` or `latin-1`.",
    ),
    "PS361": Code(
        "a target that cannot take the value",
        "`to` names the parameter of a store, GROUP.PARAMETER, that `paramstore migrate` gives the "
        "value to. Each takes one value.",
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
}
"""Kinds of findings of this package."""
