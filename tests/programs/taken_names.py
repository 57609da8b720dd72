"""Write anew which names the standard headers of C and POSIX take from generated C.

    python -m tests.programs.taken_names --to paramstore/firmware/taken_names.txt

Looks into the headers of ISO C (C11 and C23, also as C++20) and POSIX.1-2017 of every compiler that
is here: gcc, g++, avr-gcc, and the C library that zig brings. What is kept of them are the
identifiers that the generator could form. Names that are in the file already stay: other versions
of the headers have them.
"""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
from collections.abc import Iterable, Sequence
from pathlib import Path

from paramstore.firmware.spelling import FORMED
from paramstore.verify.rig.toolchain import zig_compiler

ISO_C = """assert complex ctype errno fenv float inttypes iso646 limits locale math setjmp signal
stdalign stdarg stdatomic stdbool stddef stdint stdio stdlib stdnoreturn string tgmath threads time
uchar wchar wctype"""
"""ISO/IEC 9899:2018, 7.1.2."""
POSIX = """aio arpa/inet cpio dirent dlfcn fcntl fmtmsg fnmatch ftw glob grp iconv langinfo libgen
monetary mqueue ndbm net/if netdb netinet/in netinet/tcp nl_types poll pthread pwd regex sched
search semaphore spawn strings stropts sys/ipc sys/mman sys/msg sys/resource sys/select sys/sem
sys/shm sys/socket sys/stat sys/statvfs sys/time sys/times sys/types sys/uio sys/un sys/utsname
sys/wait
syslog tar termios trace ulimit unistd utime utmpx wordexp"""
"""POSIX.1-2017, chapter 13, from memory."""
NOT_CPP = ("complex", "tgmath", "stdatomic", "stdnoreturn", "stdbool")
"""What these are in C++ is something else."""


def commands() -> list[tuple[str, ...]]:
    """The preprocessors that are here."""
    found: list[tuple[str, ...]] = []
    if shutil.which("gcc"):
        found += [("gcc", "-x", "c", "-std=gnu2x", "-D_GNU_SOURCE"),
                  ("gcc", "-x", "c", "-std=c11", "-D_POSIX_C_SOURCE=200809L")]
    if shutil.which("g++"):
        found.append(("g++", "-x", "c++", "-std=gnu++20"))
    if shutil.which("avr-gcc"):
        found.append(("avr-gcc", "-x", "c", "-mmcu=atmega328p"))
    if zig := zig_compiler():
        found.append((*zig.command, "-target", "x86_64-linux-musl", "-x", "c", "-std=gnu2x"))
    return found


def headers(command: Sequence[str]) -> list[str]:
    """The headers that a preprocessor finds, together in one file."""
    names = [n for n in f"{ISO_C} {POSIX}".split() if "c++" not in command or n not in NOT_CPP]
    return [name for name in names if preprocessed(command, [name]) is not None]


def preprocessed(command: Sequence[str], names: Iterable[str], *flags: str) -> str | None:
    """What the preprocessor makes of some headers; None if it fails."""
    text = "".join(f"#include <{name}.h>\n" for name in names)
    done = subprocess.run([*command, "-E", *flags, "-"], input=text, text=True, check=False,
                          capture_output=True)
    return done.stdout if done.returncode == 0 else None


def identifiers(command: Sequence[str]) -> set[str]:
    """Every identifier of the headers, macros too."""
    names = headers(command)
    text = preprocessed(command, names, "-P") or ""
    macros = preprocessed(command, names, "-dM") or ""
    return {*re.findall(r"\b[A-Za-z]\w*\b", text),
            *re.findall(r"^#define (\w+)", macros, re.MULTILINE)}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--to", type=Path, required=True, metavar="FILE")
    target = parser.parse_args(arguments).to
    taken = set(target.read_text("utf-8").split()) if target.exists() else set()
    for command in commands():
        taken |= {name for name in identifiers(command) if re.fullmatch(FORMED, name)}
    target.write_text("".join(f"{name}\n" for name in sorted(taken)), "utf-8")
    print(f"{len(taken)} names")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
