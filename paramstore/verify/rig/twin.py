"""The Python twin on a bench: drives its generators against the simulated part."""

from __future__ import annotations

from collections.abc import Sequence

from paramstore.core.scalars import Raw
from paramstore.core.status import Health, Status
from paramstore.layout.plan import Plan
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.faults import BusError
from paramstore.verify.twin import Answer, AskSupply, Request, Steps, Store, Transfer, Wait

__all__ = ["TwinRig"]


class TwinRig:
    """`paramstore.verify.rig.base.Rig` over the Python store, not mounted yet."""

    def __init__(self, plan: Plan, bench: Bench) -> None:
        self.plan = plan
        self.bench = bench
        self.store = Store(plan)

    def mount(self) -> Status:
        """Read the newest record of each group."""
        return self._drive(self.store.mount())

    def format(self) -> Status:
        """Write the label."""
        return self._drive(self.store.format())

    def wipe(self) -> Status:
        """Make the part blank."""
        return self._drive(self.store.wipe())

    def provision(self, image: bytes | None) -> Status:
        """Commit factory values, or defaults, for each group without a record."""
        return self._drive(self.store.provision(image))

    def set(self, group: str, field: str, first: int, raws: Sequence[Raw]) -> Status:
        """Give elements from `first` on new values in RAM."""
        return self.store.set(group, field, first, raws)

    def set_text(self, group: str, field: str, text: str) -> Status:
        """Give a text field a new value in RAM."""
        return self.store.set_text(group, field, text.encode())

    def reset(self, group: str) -> Status:
        """Give all fields of a group their defaults in RAM."""
        return self.store.reset(group)

    def reset_field(self, group: str, field: str) -> Status:
        """Give one field its defaults in RAM."""
        return self.store.reset_field(group, field)

    def touch(self, group: str) -> Status:
        """Mark a group as changed."""
        return self.store.touch(group)

    def unlock(self, group: str) -> Status:
        """Open a protected group for changes and one commit."""
        return self.store.unlock(group)

    def lock(self, group: str) -> Status:
        """Close a protected group."""
        return self.store.lock(group)

    def commit(self, group: str) -> Status:
        """Write a group, blocking."""
        return self._drive(self.store.commit(group))

    def commit_all(self) -> Status:
        """Write every changed group, blocking."""
        return self._drive(self.store.commit_all())

    def refresh(self, group: str) -> Status:
        """Commit a group although nothing changed, blocking."""
        return self._drive(self.store.refresh(group))

    def reload(self, group: str) -> Status:
        """Read one group from the part again."""
        return self._drive(self.store.reload(group))

    def commit_begin(self, group: str) -> Status:
        """Begin to write a group in steps."""
        return self.store.commit_begin(group)

    def step(self, elapsed_us: int) -> Status:
        """Do one step of a commit."""
        return self._drive(self.store.step(elapsed_us))

    def health(self, group: str) -> Health:
        """Return the flags of a group."""
        return self.store.health(group)

    def sequence(self, group: str) -> int:
        """Return the number of the newest record of a group; 0: none."""
        return self.store.sequence(group)

    def values(self, group: str) -> dict[str, tuple[Raw, ...]]:
        """Return all elements of each field of a group."""
        return self.store.values(group)

    def poke(self, group: str, field: str, first: int, raws: Sequence[Raw]) -> None:
        """Write elements into the values in RAM, past every check and flag."""
        self.store.poke(group, field, first, raws)

    def restart(self) -> None:
        """Forget all RAM; the part keeps its power."""
        self.store = Store(self.plan)

    def power_cycle(self) -> None:
        """Switch part and controller off and on again."""
        self.bench.device.power_off()
        self.bench.device.power_on()
        self.restart()

    def _drive(self, steps: Steps[Status]) -> Status:
        """Answer the requests of a call until it returns."""
        try:
            request = next(steps)
            while True:
                request = steps.send(self._answer(request))
        except StopIteration as end:
            status: Status = end.value
            return status

    def _answer(self, request: Request) -> Answer:
        match request:
            case Transfer(address, out, in_count):
                try:
                    data = self.bench.transfer(address, out, in_count)
                except BusError:
                    return Answer(Status.ERR_BUS)
                return Answer(Status.ERR_NACK) if data is None else Answer(Status.OK, data)
            case Wait(us):
                self.bench.wait(us)
                return Answer()
            case AskSupply():
                return Answer(Status.OK if self.bench.ask_supply() else Status.ERR_SUPPLY)
