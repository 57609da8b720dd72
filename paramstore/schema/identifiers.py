"""Which names a store, a group, a parameter or a member may have.

Names become C identifiers, so they keep to one spelling and stay clear of the words of C and C++.
"""

from __future__ import annotations

import re
import unicodedata

from paramstore.core.text import Json
from paramstore.located.keys import Problem

__all__ = ["C_WORDS", "MAX_NAME", "NAME", "NAME_SCHEMA", "member_problem", "name_problem"]

NAME = "[a-z][a-z0-9_]*"
"""Regular expression of a name."""

MAX_NAME = 48
"""Characters; C99 promises 63 for the joined names of store, group and parameter in one file."""

NAME_SCHEMA: dict[str, Json] = {"pattern": f"^{NAME}$", "maxLength": MAX_NAME}
"""The JSON Schema of a name."""

# Keywords of C23 and C++23, and macros of the standard headers and of GNU C in lower case.
_C_WORD_LIST = """
alignas alignof and and_eq asm assert auto bitand bitor bool break case catch char char16_t
char32_t char8_t class co_await co_return co_yield compl complex concept const const_cast consteval
constexpr constinit continue decltype default delete do double dynamic_cast else enum errno
explicit export extern false float for friend goto i386 if imaginary inline int linux long mutable
namespace new noexcept noreturn not not_eq nullptr offsetof operator or or_eq private protected
public register reinterpret_cast requires restrict return short signed sizeof static static_assert
static_cast stderr stdin stdout struct switch template this thread_local throw true try typedef
typeid typename typeof typeof_unqual union unix unsigned using virtual void volatile wchar_t while
xor xor_eq
"""
# Macros in lower case: of POSIX headers, as found in those of glibc and musl, where they expand to
# something else than a name; and of GNU C for other processors and systems (from memory).
_MACRO_LIST = """
alloca atomic_init basename e_exit e_termination h_addr h_errno ifa_broadaddr ifa_dstaddr ifc_buf
ifc_req ifr_addr ifr_bandwidth ifr_broadaddr ifr_data ifr_dstaddr ifr_flags ifr_hwaddr ifr_ifindex
ifr_map ifr_metric ifr_mtu ifr_name ifr_netmask ifr_newname ifr_qlen ifr_slave math_errhandling
msg_cbytes s6_addr s6_addr16 s6_addr32 sa_handler sa_sigaction si_addr si_addr_lsb si_arch si_band
si_call_addr si_fd si_int si_lower si_overrun si_pid si_pkey si_ptr si_status si_stime si_syscall
si_timerid si_uid si_upper si_utime si_value sigev_notify_attributes sigev_notify_function
sigev_notify_thread_id st_atime st_ctime st_mtime m68k mc68000 mips sparc sun vax
"""
C_WORDS = frozenset(f"{_C_WORD_LIST} {_MACRO_LIST}".split())
"""Words that the C of a store, which may be compiled as C++, cannot use as a member."""


def name_problem(what: str, name: str) -> Problem | None:
    """Return what is wrong (PS108, PS109) with the name of a store, group or parameter (`what`), or
    None."""
    if name in C_WORDS:
        return Problem(
            "PS109",
            f"`{name}` is a reserved word, and cannot name a {what}",
            f"choose another name, such as `{name}_value`",
            ("names become C identifiers, and the C may be compiled as C++",),
            at_key=True,
        )
    return member_problem(what, name)


def member_problem(what: str, name: str) -> Problem | None:
    """Return what is wrong (PS108) with the name of a member, or None; reserved words are
    allowed."""
    if len(name) > MAX_NAME:
        return Problem(
            "PS108",
            f"the name of a {what} has {len(name)} characters, more than {MAX_NAME}",
            "shorten the name",
            ("C names are made of the names of store, group and parameter together",),
            at_key=True,
        )
    if re.fullmatch(NAME, name):
        return None
    better = _repaired(name)
    return Problem(
        "PS108",
        f"`{name}` is not a valid name for a {what}" if name else f"the name of a {what} is empty",
        f"write `{better}`" if better else "choose a name such as `limit_2`",
        ("a name begins with a letter a to z and goes on with letters a to z, digits and `_`",),
        at_key=True,
    )


def _repaired(name: str) -> str:
    """Return the nearest valid name, or "" if nothing is left of it."""
    plain = name.replace("µ", "u").replace("ß", "ss")
    plain = unicodedata.normalize("NFKD", plain).encode("ascii", "ignore").decode()
    plain = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", plain).lower()
    plain = re.sub(r"[^a-z0-9]+", "_", plain).strip("_")
    if plain[:1].isdigit():
        first, _, others = plain.partition("_")
        plain = f"{others}_{first}" if others and others[0].isalpha() else f"n{plain}"
    return plain if plain not in C_WORDS else f"{plain}_value" if plain else ""
