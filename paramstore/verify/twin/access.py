"""The values of a store in RAM: get, set, reset, lock. Knows no bus and no record.

Groups and fields go by name; one that does not exist gives ERR_ARGUMENT.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from paramstore.core.scalars import Raw
from paramstore.core.status import Health, Status
from paramstore.record import element_bytes
from paramstore.schema.model import Kind
from paramstore.verify.twin.group import GroupState
from paramstore.verify.twin.newest import NO_RECORD
from paramstore.verify.twin.values import is_utf8

__all__ = ["Access"]


class Access:
    """The calls on values, which need no bus. `groups` go by name."""

    def __init__(self, groups: Mapping[str, GroupState]) -> None:
        self._groups = groups

    def _committing(self) -> GroupState | None:
        """Return the group of a commit that goes on: its values must not change."""
        return None

    def values(self, group: str) -> dict[str, tuple[Raw, ...]]:
        """Return all elements of each field of a group; KeyError if there is no such group."""
        values = self._groups[group].values
        return {name: values.get(name) for name in values.fields}

    def poke(self, group: str, field: str, first: int, raws: Sequence[Raw]) -> None:
        """Write elements past every check, as C code may do in the values struct."""
        values = self._groups[group].values
        scalar = values.fields[field].field.scalar
        values.put(field, first, b"".join(element_bytes(scalar, raw) for raw in raws))

    def set(self, group: str, field: str, first: int, raws: Sequence[Raw]) -> Status:
        """Give elements from `first` on new values, all or nothing. CodecError if one has no
        bytes of the field's scalar."""
        status = self._changeable(group, field)
        if status is not Status.OK:
            return status
        f = self._groups[group].values.fields[field].field
        if first + len(raws) > f.count:
            return Status.ERR_ARGUMENT
        data = [element_bytes(f.scalar, raw) for raw in raws]
        if not all(f.limits.allow(f.scalar.unpack(element)) for element in data):
            return Status.ERR_LIMIT
        self._put(group, field, first, b"".join(data))
        return Status.OK

    def set_text(self, group: str, field: str, text: bytes) -> Status:
        """Give a text field a new value."""
        status = self._changeable(group, field)
        if status is not Status.OK:
            return status
        f = self._groups[group].values.fields[field].field
        if f.kind is not Kind.TEXT or len(text) > f.count:
            return Status.ERR_ARGUMENT
        if not is_utf8(text):
            return Status.ERR_LIMIT
        self._put(group, field, 0, text.ljust(f.count, b"\0"))
        return Status.OK

    def _put(self, group: str, field: str, first: int, data: bytes) -> None:
        """Change values; a group without a record is changed by any value, even the same."""
        g = self._groups[group]
        changed = g.values.put(field, first, data)
        if changed or g.sequence == NO_RECORD:
            g.health |= Health.DIRTY

    def reset_field(self, group: str, field: str) -> Status:
        """Give the parameter of a field its defaults."""
        status = self._changeable(group, field)
        if status is Status.OK:
            self._groups[group].values.reset_parameter(field)
            self._groups[group].health |= Health.DIRTY
        return status

    def reset(self, group: str) -> Status:
        """Give all fields of a group their defaults."""
        status = self._changeable(group)
        if status is Status.OK:
            self._groups[group].values.reset()
            self._groups[group].health |= Health.DIRTY
        return status

    def touch(self, group: str) -> Status:
        """Mark a group as changed."""
        status = self._changeable(group)
        if status is Status.OK:
            self._groups[group].health |= Health.DIRTY
        return status

    def unlock(self, group: str) -> Status:
        """Open a protected group for changes and one commit."""
        if group not in self._groups:
            return Status.ERR_ARGUMENT
        self._groups[group].health |= Health.UNLOCKED
        return Status.OK

    def lock(self, group: str) -> Status:
        """Close a protected group."""
        if group not in self._groups:
            return Status.ERR_ARGUMENT
        self._groups[group].health &= ~Health.UNLOCKED
        return Status.OK

    def health(self, group: str) -> Health:
        """Return the flags of a group; DEFAULTS if there is no such group."""
        return self._groups[group].health if group in self._groups else Health.DEFAULTS

    def sequence(self, group: str) -> int:
        """Return the number of the newest record of a group; 0: none, or no such group."""
        return self._groups[group].sequence if group in self._groups else NO_RECORD

    def _changeable(self, group: str, field: str | None = None) -> Status:
        g = self._groups.get(group)
        if g is None or (field is not None and field not in g.values.fields):
            return Status.ERR_ARGUMENT
        if self._committing() is g:
            return Status.ERR_BUSY
        if g.ring.group.role.protected and Health.UNLOCKED not in g.health:
            return Status.ERR_LOCKED
        return Status.OK
