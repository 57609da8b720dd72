"""What can be wrong with a schema only when it becomes C: codes PS701 and up."""

from __future__ import annotations

from paramstore.errors import Code

__all__ = ["CODES"]

CODES: dict[str, Code] = {
    "PS701": Code(
        "two things get the same name in C",
        "The generated C joins the names of store, group and parameter with `_`. Group `a` with "
        "parameter `b_c` and group `a_b` with parameter `c` both become `..._a_b_c`; a member of "
        "an enumeration may meet a limit, such as `..._count`. Or a name is one of the standard "
        "headers of C and POSIX: the type of a store `timer` is `timer_t`, and group `max` of a "
        "store `rand` is `RAND_MAX`. Rename one: names do not change the bytes on the EEPROM "
        "other than the store's own.",
    ),
    "PS702": Code(
        "too much for the tables of the firmware",
        "The tables in the generated C hold most numbers in 16 bits and a few in 8: at most "
        "65535 bytes of values, 255 rules in a group, 255 ranges of allowed values (an "
        "enumeration has one for each gap in its numbers). Split the group, or number the "
        "members without gaps.",
    ),
    "PS703": Code(
        "a scaled integer without conversions",
        "The firmware gets functions between the stored integer and its physical value in units of "
        "its last decimal, such as thousandths of a volt: whole numbers, so that every value is "
        "exact on every processor. They have at most 64 bits. Where the physical values of the "
        "stored type need more, there is no such function rather than one that is right for some "
        "values only. The values themselves are stored and changed like any other.",
    ),
}
"""Kinds of findings of this package."""
