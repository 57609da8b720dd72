"""What every rig offers: a store on a bench, driven by blocking calls in Python.

`TwinRig` runs the Python twin, `NativeRig` the compiled C; tests hold them to the same answers.
Groups and fields are named as in the schema; values are raw, as they lie on the EEPROM.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from paramstore.core.scalars import Raw
from paramstore.core.status import Health, Status
from paramstore.layout.plan import Plan
from paramstore.verify.eeprom.bench import Bench

__all__ = ["Rig"]


class Rig(Protocol):
    """A store and the bench that its port is connected to.

    Every call that makes transfers lets PowerCut through; the store is lost then, until
    `power_cycle`. The port answers ERR_NACK where the bench has no acknowledge and ERR_BUS for a
    BusError. Calls are those of `paramstore.h` of the same name.
    """

    plan: Plan
    bench: Bench

    def mount(self) -> Status:
        """Read the newest record of each group."""
        ...

    def format(self) -> Status:
        """Write the label."""
        ...

    def wipe(self) -> Status:
        """Make the part blank."""
        ...

    def provision(self, image: bytes | None) -> Status:
        """Commit the values of a factory image (None: defaults) for each group without a record."""
        ...

    def set(self, group: str, field: str, first: int, raws: Sequence[Raw]) -> Status:
        """Give elements from `first` on new values in RAM, all or nothing."""
        ...

    def set_text(self, group: str, field: str, text: str) -> Status:
        """Give a text field a new value in RAM; UTF-8 on the EEPROM."""
        ...

    def reset(self, group: str) -> Status:
        """Give all fields of a group their defaults in RAM."""
        ...

    def reset_field(self, group: str, field: str) -> Status:
        """Give one field its defaults in RAM."""
        ...

    def touch(self, group: str) -> Status:
        """Mark a group as changed."""
        ...

    def unlock(self, group: str) -> Status:
        """Open a protected group for changes and one commit."""
        ...

    def lock(self, group: str) -> Status:
        """Close a protected group."""
        ...

    def commit(self, group: str) -> Status:
        """Write a group, blocking."""
        ...

    def commit_all(self) -> Status:
        """Write every changed group, blocking."""
        ...

    def refresh(self, group: str) -> Status:
        """Commit a group although nothing changed, blocking."""
        ...

    def reload(self, group: str) -> Status:
        """Read one group from the part again."""
        ...

    def commit_begin(self, group: str) -> Status:
        """Begin to write a group in steps."""
        ...

    def step(self, elapsed_us: int) -> Status:
        """Do one step of a commit; makes no wait."""
        ...

    def health(self, group: str) -> Health:
        """Return the flags of a group."""
        ...

    def sequence(self, group: str) -> int:
        """Return the number of the newest record of a group; 0: none."""
        ...

    def values(self, group: str) -> dict[str, tuple[Raw, ...]]:
        """Return all elements of each field of a group, as they are in RAM."""
        ...

    def poke(self, group: str, field: str, first: int, raws: Sequence[Raw]) -> None:
        """Write elements into the values in RAM, past every check and flag."""
        ...

    def restart(self) -> None:
        """Forget all RAM, as after a reset of the controller; the part keeps its power.

        Time goes on; a running write cycle ends. `mount` comes next.
        """
        ...

    def power_cycle(self) -> None:
        """Switch part and controller off and on again: `restart`, and the part forgets too."""
        ...
