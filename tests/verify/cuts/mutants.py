"""What a deliberate mistake is, in the store or in what is announced, that something must notice.

The mistakes are in `mutants_in_c` and `mutants_in_python`: only data, what to change and who
notices. A mutant is a piece of text that its file has once (runs of white space in it stand for any
white space), what it becomes, and either the verdict of the quick campaign on an example or the
name of a test. When the code changes shape, give a mutant that is not found any more its new text;
the mistake itself stays worth making. See `mutation` for how they are run.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from paramstore.verify.cuts.results import Verdict

__all__ = ["BAD_READS", "BRANCHES", "CHANGES", "HISTORIES", "MOUNT", "NO_CRC", "RULES", "RUNTIME",
           "TROUBLE", "TWIN", "VALUES", "Mutant", "changed"]

HISTORIES = "histories"
NO_CRC = ("++from; ++at; } } return store->crc == CRC_RESIDUE ?",
          "++from; ++at; } } return store->crc != 1u ?")
"""Records count whatever their CRC says."""
RUNTIME = "paramstore/firmware/runtime/paramstore.c"
VALUES = "paramstore/verify/twin/values.py"
CHANGES = "paramstore/releases/changes.py"
RULES = "paramstore/releases/rule_changes.py"

BRANCHES = "tests/releases/test_branches.py::"
MOUNT = "tests/verify/rig/test_mount.py::"
BAD_READS = "tests/verify/rig/test_bad_reads.py"
TROUBLE = "tests/verify/rig/test_trouble.py::"
TWIN = "tests/verify/rig/test_twin.py::"


@dataclass(frozen=True, slots=True)
class Mutant:
    """One mistake. `caught_by`: the verdict of the quick campaign on `example` (of the random
    histories, if it is `HISTORIES`; of all cases of the class of faults `kind`, if any; of units of
    earlier releases, if it is in what is announced), or a test, which stands for the invariant
    `of_test`, if for any."""

    name: str
    old: str
    new: str
    caught_by: Verdict | str
    file: str = RUNTIME
    example: str = "minimal"
    of_test: str = ""
    kind: str = ""

    @property
    def explored(self) -> bool:
        """Whether an oracle of power cuts catches it."""
        return isinstance(self.caught_by, Verdict)

    @property
    def where(self) -> str:
        """C, twin or announcement."""
        if self.file in (CHANGES, RULES):
            return "announcement"
        return "C" if self.file == RUNTIME else "twin"

    @property
    def invariant(self) -> str:
        """The invariant broken, as whoever catches it names it."""
        return self.of_test if isinstance(self.caught_by, str) else self.caught_by.invariant

    def change(self, text: str) -> str:
        """Make the mistake in the text of the file; AssertionError unless it has `old` once."""
        return changed(text, self.old, self.new, f"{self.name}: {self.file}")


def changed(text: str, old: str, new: str, where: str) -> str:
    """Put `new` for `old`, whose white space stands for any; AssertionError unless it is there
    once."""
    pattern = r"\s+".join(map(re.escape, old.split()))
    found = len(re.findall(pattern, text))
    assert 1 == found, f"{where} has this {found} times: {old}"
    return re.sub(pattern, lambda _: new, text)
