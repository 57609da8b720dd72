"""What calls to a store return, and the flags of a group: the Python side of `paramstore.h`.

A test reads the C header and demands the same names and numbers. Knows no store.
"""

from __future__ import annotations

from enum import IntEnum, IntFlag

__all__ = ["Health", "Status"]


class Status(IntEnum):
    """Result of a call on a store: `ps_status_t`, without the prefix. See paramstore.h."""

    OK = 0
    PENDING = 1
    FLAGGED = 2
    BLANK = 3
    OLDER = 4
    ERR_NACK = 5
    ERR_BUS = 6
    ERR_SUPPLY = 7
    ERR_VERIFY = 8
    ERR_FOREIGN = 9
    ERR_LAYOUT = 10
    ERR_PART = 11
    ERR_LIMIT = 12
    ERR_RULE = 13
    ERR_LOCKED = 14
    ERR_FULL = 15
    ERR_BUSY = 16
    ERR_STATE = 17
    ERR_ARGUMENT = 18

    @property
    def failed(self) -> bool:
        """Whether something went wrong."""
        return self >= Status.ERR_NACK

    @property
    def refuses(self) -> bool:
        """Whether the part is not ours, or not of this layout or size."""
        return self in (Status.ERR_FOREIGN, Status.ERR_LAYOUT, Status.ERR_PART)

    @property
    def concerns_group(self) -> bool:
        """Whether other groups can be committed all the same."""
        return self in (Status.ERR_LIMIT, Status.ERR_RULE, Status.ERR_LOCKED, Status.ERR_FULL,
                        Status.ERR_VERIFY)


class Health(IntFlag):
    """Flags of one group: `PS_HEALTH_`, without the prefix. See paramstore.h."""

    DEFAULTS = 0x01
    DAMAGE = 0x02
    LIMIT = 0x04
    WORN = 0x08
    DIRTY = 0x10
    UNLOCKED = 0x20
    MIGRATED = 0x40
    COPIES = 0x80
