"""A production run: from a table to images, with serial numbers and records.

First every row is checked, against the records too; only then is anything written. Then block by
block: serial numbers are allotted, images packed, their digests recorded, the images written. A run
that was killed is repeated as it was: rows that have their number keep it, and what is missing is
made. Memory does not grow with the table.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from paramstore.core.errors import (
    Finding,
    FindingsError,
    ParamstoreError,
    Severity,
    SourceText,
    ToolError,
    errors_in,
)
from paramstore.core.scalars import StoreRaws
from paramstore.core.words import plural
from paramstore.files.forms import Form, encode_image
from paramstore.image.values_out import values_toml
from paramstore.layout.plan import Plan
from paramstore.production.outputs import Output
from paramstore.production.own import changed, lost, others
from paramstore.production.packer import make_packer
from paramstore.production.records import Batch, NewUnit, Records, SerialsExhausted, SerialTaken
from paramstore.production.serials import Pattern, SerialPlace
from paramstore.production.table import MOST_ERRORS, Block, TableReader, UnitRow
from paramstore.releases.release import plan_from_data, plan_to_data

__all__ = ["BatchJob", "BatchResult", "Checked", "batch_plan"]

_BLOCK_BYTES = 1 << 22
"""Images held at a time."""
_BLOCK_MOST, _BLOCK_LEAST = 1000, 16
Progress = Callable[[int], None]
"""Told how many rows more are done."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What a look at the whole table came to. `bad`: rows with mistakes, which `findings` tells;
    `without`: how many of the others have no values of a protected group; `in_part`: how many have
    some of a group, but none of a parameter, by their names."""

    rows: int
    bad: int
    new: int
    findings: tuple[Finding, ...]
    without: Mapping[str, int] = field(default_factory=dict)
    in_part: Mapping[tuple[str, str], int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class BatchResult:
    """What a run made: units in the output, numbers given anew, files that were there already."""

    units: int
    new: int
    files_kept: int


@dataclass(frozen=True, slots=True)
class _OnRecord:
    """What is on record of some rows."""

    serials: Mapping[int, str]  # by row: those of the table, if it gives them
    owners: Mapping[str, str]  # by serial number: the batch that it was given in
    given: Mapping[str, str]  # by serial number: the values of its image in this batch
    given_before: Mapping[str, tuple[str, str]]
    """By serial number: the batch that made the latest image before, and its values."""

    def is_new(self, unit: UnitRow) -> bool:
        return self.serials.get(unit.number, "") not in self.owners


@dataclass(slots=True)
class BatchJob:
    """One run. `constants` has every field of every group; `now` gives the time as a text.

    Without a `pattern` the table has the serial numbers. `again`: units on record from another
    batch get a new image. `form` and `suffix` are those of the images. The `optional` groups are
    protected ones that the values of all units say nothing of: a unit without values of its own
    there gets no record of them, unless `defaults` are to stand in one. `left_out` has the
    parameters, by protected group, that the values of all units say nothing of. `measured_once`
    are those of the constants that calibrations gave for all units.
    """

    plan: Plan
    table: str
    name: str
    constants: StoreRaws
    serial_parameter: SerialPlace
    now: Callable[[], str]
    form: Form
    suffix: str
    pattern: Pattern | None = None
    first: int = 1
    again: bool = False
    calibrations: str | None = None
    optional: tuple[str, ...] = ()
    defaults: bool = False
    left_out: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    measured_once: StoreRaws = field(default_factory=dict)

    # ---- First look ----------------------------------------------------------------------------

    def check(self, records: Records | None, progress: Progress = lambda _: None) -> Checked:
        """Read the whole table, and compare it with the records if there are any.

        All mistakes are in `findings` (PS931 to PS959). Raises FindingsError if the table cannot
        be read on, or was begun otherwise.
        """
        if records is not None:
            self._check_batch(records)
        reader = self._reader()
        extra: list[Finding] = []
        rows = good = new = 0
        without: Counter[str] = Counter()
        in_part: Counter[tuple[str, str]] = Counter()
        for block in reader.blocks(self._block_size()):
            if not rows:
                self._check_numbering(reader)
            there = self._on_record(records, block.units)
            for unit in block.units:
                if not (finding := self._at_odds(reader, there, unit)):
                    good += 1
                    new += there.is_new(unit)
                    without.update(reader.without(unit))
                    in_part.update(reader.in_part(unit))
                    finding = self._loses(reader, there, unit)
                if finding:
                    extra.append(finding)
            rows += block.rows
            progress(block.rows)
            if len(extra) > MOST_ERRORS and errors_in(extra):
                break
        if self.pattern is not None:
            self._check_numbers_left(self.pattern, records, new)
        found = sorted((*reader.findings, *extra), key=lambda f: f.sort_key)
        return Checked(rows, rows - good, new, tuple(found), without, in_part)

    def _reader(self) -> TableReader:
        return TableReader(self.plan.schema, self.table, self.serial_parameter, self.constants,
                           self.calibrations, optional=self.optional, left_out=self.left_out,
                           measured_once=self.measured_once)

    def _check_numbering(self, reader: TableReader) -> None:
        """The serial numbers come from the table or from a pattern, not from both."""
        source, name = SourceText(self.table, ""), self.serial_parameter.name
        if reader.numbered and self.pattern is not None:
            raise FindingsError([Finding(
                "PS938", f"the table has a column `{name}`, and --new-serials gives a pattern",
                source, help="leave one of them out")])
        if not reader.numbered and self.pattern is None:
            raise FindingsError([Finding(
                "PS938", f"the table has no column `{name}`", source,
                help="add it, or let the tool give the numbers: --new-serials TP-26-####")])
        if self.pattern is not None and self.calibrations is not None:
            raise FindingsError([Finding(
                "PS938", "calibrations are joined by serial number, and the table has none", source,
                help=f"add a column `{name}`; a first batch with a pattern gives the numbers")])

    def _check_batch(self, records: Records) -> None:
        """A batch goes on as it was begun (PS958)."""
        old, new = records.batch(self.name), self._batch()
        if old is None or (old.plan, old.release, old.constants) == (
                new.plan, new.release, new.constants):
            return
        same_plan = (old.plan, old.release) == (new.plan, new.release)
        what = "other constant values" if same_plan else "another schema"
        differing = others(old.constants, new.constants) if same_plan else ()
        raise FindingsError([Finding(
            "PS958", f"batch `{self.name}` was begun with {what}", SourceText(records.path, ""),
            notes=(f"begun {old.begun}", *differing),
            help=f"take those of the first run, or {self._anew}")])

    @property
    def _anew(self) -> str:
        """How a unit that has its number gets another image."""
        return ("take the units from `units --csv`, and give another name with --batch, and "
                "--again; --new-serials would give new numbers" if self.pattern is not None else
                "give another name with --batch, and say --again")

    def _on_record(self, records: Records | None, units: Sequence[UnitRow]) -> _OnRecord:
        if records is None:
            return _OnRecord({}, {}, {}, {})
        serials = {u.number: u.serial for u in units if u.serial is not None}
        serials = serials or records.serials_of_rows(self.name, [u.number for u in units])
        numbers = list(serials.values())
        return _OnRecord(serials, records.owners(numbers), records.given(self.name, numbers),
                         records.given_before(self.name, numbers) if self.again else {})

    def _at_odds(self, reader: TableReader, there: _OnRecord, unit: UnitRow) -> Finding | None:
        """Return how a row disagrees with the records (PS953, PS954); None if it does not."""
        serial = there.serials.get(unit.number)
        if serial is None:
            return None
        owner = there.owners.get(serial, self.name)
        if owner != self.name and not self.again:
            return Finding(
                "PS953", f"the serial number `{serial}` was given before", unit.row.source,
                reader.place_of(unit), notes=(f"to a unit of batch `{owner}`",),
                help="give another one; for a new image for the same unit say --again")
        given = there.given.get(serial)
        if given is None or given == unit.given:
            return None
        return Finding(
            "PS954", f"unit {serial} was made with other values", unit.row.source,
            reader.place_of(unit), notes=(f"batch `{self.name}`", *changed(given, unit.given)),
            help=f"mend the row, or {self._anew}")

    def _loses(self, reader: TableReader, there: _OnRecord, unit: UnitRow) -> Finding | None:
        """Return a warning if the new image of a unit would have common values where an earlier one
        had its own (PS959)."""
        serial = there.serials.get(unit.number, "")
        if serial not in there.given_before or serial in there.given:
            return None
        batch, before = there.given_before[serial]
        notes = lost(before, batch, unit.given, self.plan.schema, self.constants,
                     self._common)
        return Finding(
            "PS959", f"unit {serial} loses values of its own", unit.row.source,
            reader.place_of(unit), notes=notes, severity=Severity.WARNING,
            help="if it still has them, give them here too: `units --csv` writes a table with all"
        ) if notes else None

    def _check_numbers_left(self, pattern: Pattern, records: Records | None, new: int) -> None:
        """A pattern has numbers enough for the new units (PS955)."""
        left = (pattern.last - self.first + 1 if records is None else
                records.numbers_left(pattern, self.first))
        if new > left:
            raise FindingsError([Finding(
                "PS955", f"`{pattern}` has {plural(max(left, 0), 'number')} left for "
                f"{plural(new, 'new unit')}", SourceText("--new-serials", str(pattern)),
                help="use another pattern, with more digits")])

    # ---- The run -------------------------------------------------------------------------------

    def run(self, records: Records, output: Output,
            progress: Progress = lambda _: None) -> BatchResult:
        """Make every unit of the table that has no mistakes.

        To be called after `check`, which says whether there are any. ToolError if the table
        changed meanwhile, or the disk or the records fail; a later run goes on from there.
        """
        records.begin_batch(self._batch())
        packer = make_packer(self.plan, self.constants, self.optional, defaults=self.defaults)
        units = new = files_kept = 0
        for there, block in self._blocks(records):
            serials = self._allot(records, block.units)
            columns = block.columns
            if self.pattern is not None:
                of = self.serial_parameter
                columns = {**columns, of.key: [of.raws(serial) for serial in serials]}
            images = packer.pack([unit.values for unit in block.units], columns)
            digests = [hashlib.sha256(image).hexdigest() for image in images]
            records.record_packed(self.name, list(zip(serials, digests, strict=True)), self.now())
            for serial, image in zip(serials, images, strict=True):
                files_kept += not output.add(f"{serial}{self.suffix}", self._content(image))
            units, new = units + len(serials), new + sum(map(there.is_new, block.units))
            progress(len(serials))
        return BatchResult(units, new, files_kept)

    def _content(self, image: bytes | memoryview) -> bytes | memoryview:
        # Raw binary is the image as it is.
        return image if self.form.name == "bin" else encode_image(bytes(image), self.form)

    def _block_size(self) -> int:
        return max(_BLOCK_LEAST, min(_BLOCK_MOST, _BLOCK_BYTES // self.plan.part.capacity))

    def _blocks(self, records: Records) -> Iterator[tuple[_OnRecord, Block]]:
        """Yield what can be made, with what is on record of it."""
        stamp = _stamp(self.table)
        reader = self._reader()
        for block in reader.blocks(self._block_size()):
            there = self._on_record(records, block.units)
            block = block.only([self._at_odds(reader, there, u) is None for u in block.units])
            if block.units:
                yield there, block
            if _stamp(self.table) != stamp:
                raise ToolError(f"`{self.table}` was changed while it was read",
                                "repeat the run: it goes on where this one stopped")

    def _allot(self, records: Records, units: Sequence[UnitRow]) -> list[str]:
        wanted = [NewUnit(unit.number, unit.given, unit.serial) for unit in units]
        try:
            return records.allot(self.name, wanted, self.now(), self.pattern, self.first,
                                 self.again)
        except SerialTaken as error:
            raise ToolError(f"another run took the serial number `{error.serial}` for batch "
                            f"`{error.batch}`", "repeat the run: it tells where") from error
        except SerialsExhausted as error:
            raise ToolError(f"another run took the last numbers of `{self.pattern}`",
                            "repeat with another pattern: rows that have a number keep it"
                            ) from error

    def _batch(self) -> Batch:
        return Batch(self.name, self.plan.release, _plan_text(self.plan),
                     self.serial_parameter.name, values_toml(self.plan.schema, self._given),
                     self.now())

    @property
    def _common(self) -> StoreRaws:
        """The constants of the groups that every unit has a record of."""
        return {group: values for group, values in self.constants.items()
                if self.defaults or group not in self.optional}

    @property
    def _given(self) -> StoreRaws:
        """The values among `_common` that were given, not defaults: those on record."""
        names = {(g.name, p.name): [f.name for f in p.fields]
                 for g in self.plan.schema.groups for p in g.parameters}
        out = {(group, field_name) for group, parameters in self.left_out.items()
               for name in parameters for field_name in names[group, name]}
        return {group: {name: raws for name, raws in values.items() if (group, name) not in out}
                for group, values in self._common.items()}


def _plan_text(plan: Plan) -> str:
    """Return a plan as the records keep it."""
    return json.dumps(plan_to_data(plan), ensure_ascii=False, sort_keys=True)


def batch_plan(records: Records, batch: Batch) -> Plan:
    """Return the plan that a batch was made with, from its record; ToolError if that is damaged."""
    try:
        data = json.loads(batch.plan)
        plan = plan_from_data(data, batch.release)
        # A plan by itself does not know the release before it.
        sound = json.loads(_plan_text(plan)) | {"before": data["before"]} == data
    except (LookupError, TypeError, ValueError, ArithmeticError, AttributeError, RecursionError,
            ParamstoreError) as error:
        raise records.damaged(f"the plan of batch `{batch.name}` cannot be read") from error
    if not sound:
        raise records.damaged(f"the plan of batch `{batch.name}` is not as it was written")
    return plan


def _stamp(path: str) -> tuple[int, int]:
    try:
        status = Path(path).stat()
    except OSError:
        return (0, 0)
    return (status.st_size, status.st_mtime_ns)
