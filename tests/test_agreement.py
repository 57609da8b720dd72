"""One machine drives a plain oracle, the twin and the compiled C, and demands that they agree.

The twin and the C must be alike in everything that can be seen (see `engines`). The oracle is a
few dictionaries that know no slot, no page and no sequence number: it says which values a group
may have after a mount. It holds the promises of the store: a value is old or new and never a
mixture, and what was acknowledged is there after any power cut.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from paramstore.core.format import HEADER_BYTES, slot_of
from paramstore.core.scalars import Raw, ScalarForm
from paramstore.core.status import Health, Status
from paramstore.image.pack import pack
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.record import build_label
from paramstore.schema.model import Field, Kind, Schema
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.faults import CutAtByte, CutAtWrite, DeadPage, Tear, Torn
from tests.agreement_oracle import GroupOracle, Oracle
from tests.engines import PLANS, Engines, payload
from tests.strategies import field_raws, group_raws, schemas

TEARS = st.builds(Tear, st.sampled_from(Torn), st.integers(0, 32), st.integers(0, 1 << 20))
Cut = tuple[str, int, Tear] | None
CUTS: st.SearchStrategy[Cut] = st.none() | st.tuples(
    st.sampled_from(("write", "write", "byte")), st.sampled_from((1, 1, 1, 2, 2, 3, 4, 6)), TEARS)


def any_raws(f: Field, count: int) -> st.SearchStrategy[tuple[Raw, ...]]:
    """Elements that the scalar can hold, limits or not, NaN and infinities among them."""
    if f.scalar.form is ScalarForm.FLOAT:
        element: st.SearchStrategy[Raw] = st.floats(width=8 * f.scalar.size)
    else:
        element = st.integers(int(f.scalar.minimum), int(f.scalar.maximum))
    return st.lists(element, min_size=count, max_size=count).map(tuple)


def _is_text(data: bytes) -> bool:
    """Whether the bytes before the first 0 are well-formed UTF-8, by another decoder's rules."""
    text = data.split(b"\0")[0].decode("utf-8", "replace")
    return "\ufffd" not in text


class Agreement(RuleBasedStateMachine):
    """The rules; sub-classes choose the plan."""

    engines: Engines
    oracle: Oracle

    def begin(self, plan: Plan, rough: bool) -> None:
        self.plan = plan
        self.rough = rough  # whether more goes wrong than the power
        self.engines = Engines(plan)
        self.mounted = self.engines.call("mount")
        assert Status.BLANK is self.mounted
        groups = [ring.group.name for ring in plan.rings]
        defaults = {g: payload(self.engines.twin, g) for g in groups}
        self.oracle = Oracle({g: GroupOracle(d, {d}, set()) for g, d in defaults.items()})
        self.groups = st.sampled_from(groups)
        self.ready = False

    # ---- Values ----

    def _field(self, data: st.DataObject) -> tuple[str, Field]:
        group = data.draw(self.groups, label="group")
        fields = {f.name: f for f in self.plan.schema.group(group).fields}
        return group, fields[data.draw(st.sampled_from(list(fields)), "field")]

    def _blocked(self, group: str) -> Status | None:
        """Why the values of a group may not change now."""
        if self.oracle.committing and self.oracle.committing[0] == group:
            return Status.ERR_BUSY
        protected = self.plan.schema.group(group).role.protected
        if protected and Health.UNLOCKED not in self.engines.twin.health(group):
            return Status.ERR_LOCKED
        return None

    @rule(data=st.data(), good=st.booleans())
    def set_elements(self, data: st.DataObject, good: bool) -> None:
        group, f = self._field(data)
        first = data.draw(st.integers(0, f.count), "first")
        count = data.draw(st.integers(0, f.count - first + (not good)), "count")
        strategy = field_raws(f).map(lambda r: r[first:first + count]) if good else any_raws(
            f, count)
        raws = data.draw(strategy, "raws")
        status = self.engines.call("set", group, f.name, first, raws)
        if first + len(raws) > f.count:
            expected = Status.ERR_ARGUMENT
        elif not all(f.limits.allow(raw) for raw in raws):
            expected = Status.ERR_LIMIT
        else:
            expected = Status.OK
        assert (self._blocked(group) or expected) == status
        if status is Status.OK:
            assert raws == self.engines.twin.values(group)[f.name][first:first + len(raws)]

    @rule(data=st.data())
    def poke(self, data: st.DataObject) -> None:
        group, f = self._field(data)
        if self.oracle.committing and self.oracle.committing[0] == group:
            return  # the values struct is not to be touched then
        first = data.draw(st.integers(0, f.count - 1), "first")
        raws = data.draw(any_raws(f, data.draw(st.integers(1, f.count - first))), "raws")
        self.engines.poke(group, f.name, first, raws)
        self.engines.call("touch", group)

    @rule(data=st.data(), text=st.text("aµ𝄞", max_size=9), call=st.sampled_from(
        ("set_text", "reset_field", "reset", "touch", "unlock", "unlock", "lock")))
    def small_call(self, data: st.DataObject, text: str, call: str) -> None:
        group, f = self._field(data)
        arguments = {"set_text": (group, f.name, text), "reset_field": (group, f.name)}
        expected = Status.OK if call in ("unlock", "lock") else self._blocked(group) or Status.OK
        if call == "set_text" and expected is Status.OK:
            fits = f.kind is Kind.TEXT and len(text.encode()) <= f.count
            expected = Status.OK if fits else Status.ERR_ARGUMENT
        assert expected is self.engines.call(call, *arguments.get(call, (group,)))

    # ---- Commits ----

    def _to_commit(self, group: str) -> bytes:
        """The values as a commit stores them: nothing counts behind the end of a text."""
        values = self.engines.twin.values(group)
        data = b""
        for f in self.plan.schema.group(group).fields:
            bits = b"".join(f.scalar.pack(raw) for raw in values[f.name])
            data += bits.split(b"\0")[0].ljust(len(bits), b"\0") if f.kind is Kind.TEXT else bits
        return data

    def _broken(self, group: str) -> bool:
        """Whether the values of a group break a limit or a rule, by the model alone."""
        values = self.engines.twin.values(group)
        described = self.plan.schema.group(group)
        for f in described.fields:
            raws = values[f.name]
            if f.kind is Kind.TEXT and not _is_text(bytes(int(raw) for raw in raws)):
                return True
            if not all(f.limits.allow(raw) for raw in raws):
                return True
            if f.rising and not all(a < b for a, b in pairwise(raws)):
                return True
        return any(
            not all(a < b for a, b in zip(values[p.name], values[p.below], strict=True))
            for p in described.parameters if p.below
        )

    def _commit_ended(self, group: str, value: bytes, dirty: bool, status: Status | None) -> None:
        oracle = self.oracle.groups[group]
        if not dirty:
            return
        oracle.attempt(value)
        if status is Status.OK:
            oracle.settle(value)

    def _commit(self, call: str, *arguments: str) -> Status | None:
        """Commit one group or all, and tell the oracle; a power cut is followed by a mount."""
        twin = self.engines.twin
        names = arguments or tuple(self.oracle.groups)
        tried = {g: (self._to_commit(g), Health.DIRTY in twin.health(g), self._broken(g))
                 for g in names}
        status = self.engines.call(call, *arguments)
        assert status is not Status.PENDING
        for group, (value, dirty, broken) in tried.items():
            ended = status
            if status not in (None, Status.OK) and Health.DIRTY not in twin.health(group):
                ended = Status.OK  # this one was done before another one failed
            if not (dirty and broken):
                self._commit_ended(group, value, dirty, ended)
            else:
                assert status is not Status.OK
        if status is None:
            self._mount_again()
        return status

    @rule(data=st.data())
    def commit(self, data: st.DataObject) -> None:
        group = data.draw(self.groups)
        broken = self._broken(group)
        clean = Health.DIRTY not in self.engines.twin.health(group)
        status = self._commit("commit", group)
        if self.oracle.committing:
            assert Status.ERR_BUSY is status
        elif not self.ready:
            assert status in (Status.ERR_STATE, Status.ERR_FOREIGN, Status.OK if clean else None)
        elif clean:
            assert Status.OK is status
        elif self._blocked(group) is None and broken:
            assert status in (Status.ERR_LIMIT, Status.ERR_RULE)

    def _change(self, data: st.DataObject, group: str) -> None:
        """Give a group legal values, and see to it that there is something to commit."""
        self.engines.call("unlock", group)
        for name, raws in data.draw(group_raws(self.plan.schema.group(group)), "values").items():
            self.engines.call("set", group, name, 0, raws)
        self.engines.call("touch", group)

    @rule(data=st.data(), cut=CUTS, boot=st.booleans())
    def change_and_commit(self, data: st.DataObject, cut: Cut, boot: bool) -> None:
        """What firmware does: legal values, then a commit, which a power cut may end."""
        group = data.draw(self.groups, "group")
        self._change(data, group)
        self._with_cut(cut, lambda: self._commit("commit", group))
        if boot:
            self.boot(True, 0)

    @rule(data=st.data(), cut=CUTS, change=st.booleans())
    def refresh(self, data: st.DataObject, cut: Cut, change: bool) -> None:
        """The same values again: all copies are there then."""
        group = data.draw(self.groups, "group")
        if change:
            self._change(data, group)
        self._with_cut(cut, lambda: self._refresh(group))

    def _refresh(self, group: str) -> None:
        value, twin = self._to_commit(group), self.engines.twin
        tried = twin.sequence(group) != 0 or Health.DIRTY in twin.health(group)
        tried = tried and not self._broken(group)
        status = self.engines.call("refresh", group)
        if tried:
            self._commit_ended(group, value, True, status)
        if status is None:
            self._mount_again()
        elif status is Status.OK:
            assert Health.COPIES not in twin.health(group)

    @rule(data=st.data())
    def reload(self, data: st.DataObject) -> None:
        """What the part holds, in place of what RAM does."""
        group = data.draw(self.groups, "group")
        status = self.engines.call("reload", group)
        if status in (Status.ERR_BUSY, Status.ERR_STATE, Status.ERR_FOREIGN):
            return
        assert status in (Status.OK, Status.FLAGGED)
        value, oracle = payload(self.engines.twin, group), self.oracle.groups[group]
        assert value in oracle.allowed
        assert Health.DIRTY not in self.engines.twin.health(group)
        if not oracle.spoilt:
            oracle.settle(value)

    @rule(data=st.data(), cut=CUTS)
    def commit_all(self, data: st.DataObject, cut: Cut) -> None:
        for group in self.oracle.groups:
            if data.draw(st.booleans()):
                self._change(data, group)
        self._with_cut(cut, lambda: self._commit("commit_all"))

    @rule(data=st.data(), fresh=st.booleans())
    def commit_begin(self, data: st.DataObject, fresh: bool) -> None:
        group = data.draw(self.groups)
        if fresh:
            self._change(data, group)
        value = self._to_commit(group)
        if self.engines.call("commit_begin", group) is Status.PENDING:
            self.oracle.groups[group].attempt(value)
            self.oracle.committing = group, value

    @precondition(lambda self: self.oracle.committing)
    @rule(times=st.integers(1, 40), us=st.sampled_from((0, 100, 250, 1000, 5000, 65535)),
          really=st.booleans(), cut=CUTS)
    def step(self, times: int, us: int, really: bool, cut: Cut) -> None:
        def act() -> None:
            for _ in range(times):
                if self.oracle.committing:
                    self._step(us, really)

        self._with_cut(cut, act)

    def _step(self, us: int, really: bool) -> None:
        """One step, after a time that has really passed, or that the caller only claims."""
        assert self.oracle.committing
        group, value = self.oracle.committing
        if really:
            self.engines.each(lambda bench: bench.wait(us))
        status = self.engines.call("step", us)
        if status is None:
            self._mount_again()
        elif status is not Status.PENDING:
            self.oracle.committing = None
            self._commit_ended(group, value, True, status)

    # ---- The part ----

    def _with_cut(self, cut: Cut, act: Callable[[], object]) -> None:
        """Act; the power goes in one of the next page writes, or at one of the next bytes."""
        if cut is None:
            act()
            return
        where, number, tear = cut
        device = self.engines.device
        fault = (CutAtWrite(device.cycles + number, tear) if where == "write"
                 else CutAtByte(device.bytes_seen + number * 23, tear))
        self.engines.each(lambda bench: bench.device.faults.append(fault))
        act()
        self.engines.each(lambda bench: bench.device.faults.remove(fault))

    @precondition(lambda self: self.rough)
    @rule(data=st.data(), kind=st.sampled_from(
        ("pin", "pin", "supply", "slot", "slot", "label", "wear", "wear", "wear", "wipe")))
    def trouble(self, data: st.DataObject, kind: str) -> None:
        """Something goes wrong with the part or the board, or gets right again."""
        match kind:
            case "pin":
                level = data.draw(st.booleans())
                self.engines.each(lambda bench: setattr(bench.device, "write_protect", level))
            case "supply":
                good = data.draw(st.booleans())
                self.engines.each(lambda bench: setattr(bench, "supply_good", good))
            case "slot":
                self._damage_slot(data)
            case "label":
                self._damage_label(data)
            case "wear":
                self._wear_out_slot(data)
            case "wipe":
                self._wipe()

    def _damage_slot(self, data: st.DataObject) -> None:
        """Flip a bit of a record, or of a place for one."""
        ring = self.plan.ring(data.draw(self.groups))
        address = ring.address(data.draw(st.integers(0, ring.slots - 1)))
        at = address + data.draw(st.integers(0, ring.record_bytes - 1))
        mask = 1 << data.draw(st.integers(0, 7))

        def flip(bench: Bench) -> None:
            bench.device.memory[at] ^= mask

        self.engines.each(flip)
        self.oracle.groups[ring.group.name].spoilt = True

    def _damage_label(self, data: st.DataObject) -> None:
        """Erase a label copy, or overwrite its front."""
        at = self.plan.label_address(data.draw(st.integers(0, 1)))
        size = self.plan.label_bytes
        spoilt = data.draw(st.just(b"\xff" * size) | st.binary(min_size=1, max_size=size))

        def write(bench: Bench) -> None:
            bench.device.memory[at:at + len(spoilt)] = spoilt

        self.engines.each(write)

    def _wear_out_slot(self, data: st.DataObject) -> None:
        """A slot ahead takes nothing any more; after the third all are as new again."""
        dead = [f for f in self.engines.device.faults if isinstance(f, DeadPage)]
        if len(dead) >= 3:
            self.engines.each(lambda bench: bench.device.faults.clear())
            return
        ring = self.plan.ring(data.draw(self.groups))
        ahead = self.engines.twin.sequence(ring.group.name) + data.draw(st.integers(1, 3))
        page = ring.address(slot_of(ahead, ring.slots)) // ring.page_bytes
        self.engines.each(lambda bench: bench.device.faults.append(DeadPage(page)))

    def _wipe(self) -> None:
        status = self.engines.call("wipe")
        if status is Status.ERR_BUSY:
            return
        self.ready = False
        for oracle in self.oracle.groups.values():
            if status is Status.OK:
                oracle.settle(oracle.defaults)
                oracle.seen.clear()
            else:
                oracle.spoilt = True

    @rule(cut=CUTS)
    def format(self, cut: Cut) -> None:
        def act() -> None:
            status = self.engines.call("format")
            if status is None:
                self._mount_again()
            elif status is Status.OK:
                self.ready = True

        self._with_cut(cut, act)

    @rule(data=st.data(), given=st.booleans(), damaged=st.sampled_from((False, False, True)),
          cut=CUTS)
    def provision(self, data: st.DataObject, given: bool, damaged: bool, cut: Cut) -> None:
        """Give groups without a record factory values, or defaults; a cut may end it."""
        values = {g.name: data.draw(group_raws(g), g.name) for g in self.plan.schema.groups}
        image = bytearray(pack(self.plan, values)) if given else None
        if image is not None and damaged:
            ring = self.plan.ring(data.draw(self.groups))
            image[ring.address(0) + data.draw(st.integers(0, ring.record_bytes - 1))] ^= 1
        self._with_cut(cut, lambda: self._seed(image and bytes(image)))

    def _seed(self, image: bytes | None) -> None:
        twin, part = self.engines.twin, self.engines.device
        wanted = {
            group: oracle.defaults if image is None else
            image[at:at + len(oracle.defaults)]
            for group, oracle in self.oracle.groups.items()
            for at in [self.plan.ring(group).address(0) + HEADER_BYTES]
            if image is not None or not self.plan.schema.group(group).role.protected
        }
        empty = [g for g in wanted if twin.sequence(g) == 0]
        writes = part.cycles
        status = self.engines.call("provision", image)
        if status is Status.ERR_LAYOUT:
            assert writes == part.cycles
            return
        if status in (Status.ERR_BUSY, Status.ERR_STATE, Status.ERR_FOREIGN):
            return
        for group in empty:
            done = status is not None and twin.sequence(group) != 0
            self._commit_ended(group, wanted[group], True, Status.OK if done else status)
        if status is None:
            self._mount_again()
        elif status is Status.OK:
            self.ready = True
            assert all(payload(twin, g) == wanted[g] for g in empty)
            assert all(twin.sequence(g) != 0 for g in wanted)

    # ---- Boots ----

    @rule(power=st.booleans(), pause_us=st.sampled_from((0, 1000, 6000)))
    def boot(self, power: bool, pause_us: int) -> None:
        self.engines.restart(power)
        self.engines.each(lambda bench: bench.wait(pause_us))
        self._mount_again()

    def _mount_again(self) -> None:
        """Mount, and let the oracle judge what is served."""
        self.oracle.committing = None
        status = self.engines.call("mount")
        assert status is not None
        twin = self.engines.twin
        self.ready = not status.failed and self._labelled()
        for group, oracle in self.oracle.groups.items():
            value = payload(twin, group)
            if status.failed or status is Status.BLANK:
                assert oracle.defaults == value
                continue
            assert value in oracle.allowed
            if value == oracle.defaults and Health.DEFAULTS in twin.health(group):
                assert oracle.spoilt or oracle.defaults in oracle.may_hold
            if not oracle.spoilt:
                oracle.settle(value)

    def _labelled(self) -> bool:
        """Whether a label copy is whole: else the groups are served, but nothing is written."""
        places = [self.plan.label_address(copy) for copy in (0, 1)]
        label, memory = build_label(self.plan), self.engines.device.memory
        return any(memory[at:at + len(label)] == label for at in places)

    @invariant()
    def alike(self) -> None:
        self.engines.compare()


class OnKnownPlans(Agreement):
    """The example module, the store of FORMAT.md, and small stores on other parts."""

    @initialize(plan=st.sampled_from(list(PLANS)), rough=st.booleans(), cut=CUTS)
    def start(self, plan: str, rough: bool, cut: Cut) -> None:
        self.begin(PLANS[plan], rough)
        self.format(cut)


class OnRandomPlans(Agreement):
    """Any schema."""

    @initialize(schema=schemas(max_groups=2, parts=("24LC32A", "24LC16B", "24LC1025")),
                rough=st.booleans())
    def start(self, schema: Schema, rough: bool) -> None:
        self.begin(make_plan(schema), rough)
        self.format(None)


def machine(kind: type[Agreement], share: float) -> type:
    """The test case of a machine, with a share of the examples of the profile in use."""
    case = kind.TestCase
    case.settings = settings(max_examples=int(settings().max_examples * share),
                             stateful_step_count=40, suppress_health_check=list(HealthCheck))
    return case


TestKnownPlans = machine(OnKnownPlans, 2)
TestRandomPlans = machine(OnRandomPlans, 0.2)
