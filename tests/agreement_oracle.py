"""What a group may hold: a few sets of values that know no slot, no page, no sequence number."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["GroupOracle", "Oracle"]


@dataclass
class GroupOracle:
    """What is known of one group. Payloads are bytes, as the engines' values are compared.

    `may_hold` has every value that the part may hold for the group: one, if nothing went wrong
    since the last mount or acknowledged commit. `seen` has every value ever handed to a commit.
    With `spoilt` any of those may come back, or the defaults.
    """

    defaults: bytes
    may_hold: set[bytes]
    seen: set[bytes]
    spoilt: bool = False

    @property
    def allowed(self) -> set[bytes]:
        return self.seen | {self.defaults} if self.spoilt else self.may_hold

    def attempt(self, value: bytes) -> None:
        self.seen.add(value)
        self.may_hold.add(value)

    def settle(self, value: bytes) -> None:
        self.may_hold = {value}
        self.spoilt = False


@dataclass
class Oracle:
    """The groups, and which of them is being committed in steps, with what value."""

    groups: dict[str, GroupOracle]
    committing: tuple[str, bytes] | None = None
