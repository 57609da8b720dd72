"""What firmware of any release must see on any unit: a model written from FORMAT.md, section 9.

It works on the content of release files, shares no code with the library, and knows no page, slot
or sequence number: a ring holds one record, a revision and bytes by offset. `write` is a commit,
`read` a mount, by firmware of any release.
"""

from __future__ import annotations

import random
import struct
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from typing import Any

__all__ = ["Model", "Record", "Seen", "State", "random_values"]

CODES = {"u8": "B", "u16": "H", "u32": "I", "u64": "Q", "i8": "b", "i16": "h", "i32": "i",
         "i64": "q", "f32": "f", "f64": "d"}
LIMITS = {f"{s}{b}": ((0, 2**b - 1) if s == "u" else (-2**(b - 1), 2**(b - 1) - 1))
          for s in "ui" for b in (8, 16, 32, 64)}
Raws = tuple[Any, ...]


@dataclass(frozen=True)
class Record:
    """The newest record of a ring."""

    revision: int
    cells: dict[int, bytes]


State = dict[int, Record]
"""Records by group id."""


@dataclass
class Seen:
    """What a mount gives: values by group and field, and which groups have a flag."""

    values: dict[str, dict[str, Raws]] = field(default_factory=dict)
    migrated: set[str] = field(default_factory=set)
    limited: set[str] = field(default_factory=set)


class Model:
    """All releases of a store, as their files say."""

    def __init__(self, releases: list[dict[str, Any]]) -> None:
        self.releases = releases

    def groups(self, release: int) -> list[dict[str, Any]]:
        groups: list[dict[str, Any]] = self.releases[release - 1]["groups"]
        return groups

    def series(self, release: int) -> int:
        return int(self.releases[release - 1]["series"])

    # ---- Commit ----

    def write(self, state: State, release: int, group: str,
              values: dict[str, Raws]) -> State:
        """Return the state after firmware of `release` committed `values` to `group`."""
        data = next(g for g in self.groups(release) if g["name"] == group)
        old = state.get(data["id"])
        cells = dict(old.cells) if old else {}
        for r in data["reserved"]:
            if old is None or old.revision < r["since"]:
                cells[r["offset"]] = bytes.fromhex(r["default"])
        for f in fields_of(data):
            cells[f["offset"]] = packed(f, values[f["name"]])
        revision = max(data["revision"], old.revision if old else 0)
        return {**state, data["id"]: Record(revision, cells)}

    # ---- Mount ----

    def read(self, state: State, release: int, label: int) -> Seen:
        """Return what firmware of `release` makes of a part whose label is of release `label`."""
        seen = Seen()
        for group in self.groups(release):
            values: dict[str, Raws] = {}
            for parameter in group["parameters"]:
                found, fits = self._parameter(state, release, group, parameter)
                if found is not None:
                    values |= found
                    continue
                taken, fits = (self._earlier(state, release, group, parameter)
                               if label < release else (None, True))
                values |= taken or defaults(parameter)
                if taken is not None or not fits:
                    seen.migrated.add(group["name"])
                if not fits:
                    seen.limited.add(group["name"])
            if mend(group, values):
                seen.limited.add(group["name"])
            seen.values[group["name"]] = values
        return seen

    # ---- An image made one of an earlier release ----

    def lower(self, state: State, release: int, label: int) -> Seen:
        """Return what firmware of `release` must see once the host made a unit whose label is
        `label`, a later release, one of its own. `migrated` are the groups that have a record."""
        later, seen = self.read(state, label, label), Seen()
        plain = self.read(state, release, label)
        for group in self.groups(release):
            values = dict(plain.values[group["name"]])
            for parameter in group["parameters"]:
                back = self._returned(state, release, label, group, parameter, later)
                values |= back
                if back or group["id"] in state:
                    seen.migrated.add(group["name"])
            mend(group, values)
            seen.values[group["name"]] = values
        return seen

    def _returned(self, state: State, release: int, label: int, group: dict[str, Any],
                  parameter: dict[str, Any], later: Seen) -> dict[str, Raws]:
        """Return the values turned back; nothing where the old bytes are what counts."""
        for home in self.groups(label):
            for heir in home["parameters"]:
                line = [(home, heir)]
                for number in range(label - 1, release - 1, -1):
                    before = self._ancestor(number, *line[-1])
                    if before is None:
                        break
                    line.append(before)
                place = (home["id"], heir["fields"][0]["offset"])
                if (len(line) <= label - release or line[-1] != (group, parameter)
                        or place == (group["id"], parameter["fields"][0]["offset"])
                        or self._parameter(state, label, home, heir)[0] is None):
                    continue
                steps = [p for _, p in reversed(line)]
                result = {}
                for i, target in enumerate(parameter["fields"]):
                    source = heir["fields"][i]
                    way = [(a["fields"][i], b["fields"][i]) for a, b in pairwise(steps)]
                    raws = later.values[home["name"]][source["name"]]
                    new = [returned(parameter["kind"], source, target, way, raw)
                           for raw in raws[:target["count"]]]
                    cut = parameter["kind"] in ("text", "bytes") and any(raws[target["count"]:])
                    if None in new or cut:
                        return defaults(parameter)
                    result[target["name"]] = (*new, *target["default"][len(new):])
                return result
        return {}

    # ---- A unit laid out anew ----

    def carry(self, state: State, release: int, label: int) -> Seen:
        """Return what firmware of `release`, of a later series, must see once the host laid a unit
        with a label of `label` out anew."""
        seen = Seen()
        for group in self.groups(release):
            values: dict[str, Raws] = {}
            for parameter in group["parameters"]:
                values |= defaults(parameter) | self._carried(
                    state, release, label, group, parameter)
            mend(group, values)
            seen.values[group["name"]] = values
        return seen

    def _carried(self, state: State, release: int, label: int, group: dict[str, Any],
                 parameter: dict[str, Any]) -> dict[str, Raws]:
        line = [(group, parameter)]
        for number in range(release - 1, label - 1, -1):
            before = self._ancestor(number, *line[-1])
            if before is None:
                return {}
            line.append(before)
        stored = self._parameter(state, label, *line[-1])[0]
        if stored is None:
            return {}
        steps = [p for _, p in reversed(line)]
        result = {}
        for i, target in enumerate(parameter["fields"]):
            source = line[-1][1]["fields"][i]
            way = [(a["fields"][i], b["fields"][i]) for a, b in pairwise(steps)]
            new = [converted(parameter["kind"], source, target, way, raw)
                   for raw in stored[source["name"]][:target["count"]]]
            if None in new:
                return {}
            tail = [0] * target["count"] if parameter["kind"] == "text" else target["default"]
            result[target["name"]] = (*new, *tail[len(new):])
        return result

    @staticmethod
    def _parameter(state: State, release: int, group: dict[str, Any],
                   parameter: dict[str, Any]) -> tuple[dict[str, Raws] | None, bool]:
        record = state.get(group["id"])
        first = parameter["fields"][0]
        if record is None or record.revision < first["since"]:
            return None, True
        return {f["name"]: unpacked(f, record.cells[f["offset"]])
                for f in parameter["fields"]}, True

    def _earlier(self, state: State, release: int, group: dict[str, Any],
                 parameter: dict[str, Any]) -> tuple[dict[str, Raws] | None, bool]:
        """Return the converted values of the latest earlier place; (None, True) if there is none,
        (None, False) if a value has no equal."""
        own = (group["id"], parameter["fields"][0]["offset"])
        steps: list[tuple[dict[str, Any], dict[str, Any]]] = []
        home, here = group, parameter
        for number in range(release - 1, 0, -1):
            before = self._ancestor(number, home, here)
            if before is None or self.series(number) != self.series(release):
                return None, True
            steps.append((before[1], here))
            home, here = before
            record = state.get(home["id"])
            first = here["fields"][0]
            place = (home["id"], first["offset"])
            if place != own and record and first["since"] <= record.revision < self._left(
                    number, place):
                result = {}
                for i, target in enumerate(parameter["fields"]):
                    source = here["fields"][i]
                    old = unpacked(source, record.cells[source["offset"]])
                    way = [(a["fields"][i], b["fields"][i]) for a, b in reversed(steps)]
                    new = [converted(parameter["kind"], source, target, way, raw)
                           for raw in old[:target["count"]]]
                    if None in new:
                        return None, False
                    result[target["name"]] = (*new, *target["default"][len(new):])
                return result, True
        return None, True

    def _left(self, number: int, place: tuple[int, int]) -> int:
        """Return the first revision of a ring in whose releases a place is no field any more."""
        for later in self.releases[number:]:
            for group in later["groups"]:
                if group["id"] == place[0] and place[1] not in [
                        f["offset"] for f in fields_of(group)]:
                    return int(group["revision"])
        return 256

    def _ancestor(self, number: int, group: dict[str, Any],
                  parameter: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]] | None:
        for home in self.groups(number):
            for before in home["parameters"]:
                if parameter["was"]:
                    if parameter["was"] == f"{home['name']}.{before['name']}":
                        return home, before
                elif home["id"] == group["id"] and before["name"] == parameter["name"]:
                    return home, before
        return None


# ---- Bytes and numbers --------------------------------------------------------------------------


def fields_of(group: dict[str, Any]) -> list[dict[str, Any]]:
    return [f for p in group["parameters"] for f in p["fields"]]


def packed(f: dict[str, Any], raws: Raws) -> bytes:
    return struct.pack(f"<{f['count']}{CODES[f['type']]}", *raws)


def unpacked(f: dict[str, Any], data: bytes) -> Raws:
    return struct.unpack(f"<{f['count']}{CODES[f['type']]}", data)


def defaults(parameter: dict[str, Any]) -> dict[str, Raws]:
    return {f["name"]: tuple(f["default"]) for f in parameter["fields"]}


def converted(kind: str, source: dict[str, Any], target: dict[str, Any],
              way: list[tuple[dict[str, Any], dict[str, Any]]], raw: Any) -> Any:
    if kind in ("enum", "flags"):
        return renumbered(kind, source, target, way, raw)
    if kind not in ("integer", "float", "curve"):
        return raw
    return rescaled(source, target, *along(way), raw)


def along(way: list[tuple[dict[str, Any], dict[str, Any]]]) -> tuple[Fraction, Fraction]:
    """Return factor and offset of the physical value over all steps."""
    factor, offset = Fraction(1), Fraction(0)
    for before, after in way:
        if before["unit"] != after["unit"]:
            c = after["convert"]
            step = Fraction(c["factor"]) / Fraction(c.get("divisor", "1"))
            factor, offset = factor * step, offset * step + Fraction(c["offset"])
    return factor, offset


def rescaled(source: dict[str, Any], target: dict[str, Any], factor: Fraction, offset: Fraction,
             raw: Any) -> Any:
    scale = Fraction(target["scale"])
    a = Fraction(source["scale"]) * factor / scale
    b = (Fraction(source["zero"]) * factor + offset - Fraction(target["zero"])) / scale
    if source["type"] == target["type"] and (a, b) == (1, 0):
        return raw
    whole = a.denominator * b.denominator // gcd(a.denominator, b.denominator)
    if isinstance(raw, float):
        value: Any = raw * float(a * whole)
        value = (value + float(b * whole) if b else value) / float(whole)
    elif target["type"][0] == "f":
        value = float(raw * a * whole + b * whole) / float(whole)
    else:
        value = raw * a + b
    if target["type"] == "f64":
        return value if abs(value) < float("inf") else None
    if target["type"] == "f32":
        try:
            return struct.unpack("<f", struct.pack("<f", value))[0]
        except OverflowError:
            return None
    if isinstance(value, float) and not abs(value) < float(2**63 - 1):
        return None
    low, high = LIMITS[target["type"]]
    nearest = round(value)
    return nearest if low <= nearest <= high else None


def gcd(a: int, b: int) -> int:
    while b:
        a, b = b, a % b
    return a


def renumbered(kind: str, source: dict[str, Any], target: dict[str, Any],
               way: list[tuple[dict[str, Any], dict[str, Any]]], raw: int) -> int | None:
    numbers = {}
    for name, number in source["members"]:
        for before, after in way:
            renamed = dict(after["convert"]["names"]) if after["convert"] else {}
            if name in dict(before["members"]):
                name = renamed.get(name, name)
        numbers[number] = dict(target["members"]).get(name)
    return by_number(kind, numbers, raw)


def by_number(kind: str, numbers: dict[int, int | None], raw: int) -> int | None:
    if kind == "enum":
        return numbers.get(raw)
    bits = [bit for bit in range(64) if raw >> bit & 1]
    new = [numbers.get(bit) for bit in bits]
    return None if None in new else sum(1 << int(bit) for bit in new if bit is not None)


def returned(kind: str, source: dict[str, Any], target: dict[str, Any],
             way: list[tuple[dict[str, Any], dict[str, Any]]], raw: Any) -> Any:
    """Return what a later raw is in an earlier field; `way` leads from that one to the later."""
    if kind in ("enum", "flags"):
        numbers: dict[int, int | None] = {
            new: old for _, old in target["members"]
            if (new := renumbered("enum", target, source, way, old)) is not None}
        return by_number(kind, numbers, raw)
    if kind not in ("integer", "float", "curve"):
        return raw
    factor, offset = along(way)
    return rescaled(source, target, 1 / factor, -offset / factor, raw)


# ---- Limits and rules ---------------------------------------------------------------------------


def allowed(f: dict[str, Any], raw: Any) -> bool:
    if f["mask"] is not None:
        return not raw & ~f["mask"]
    return not f["ranges"] or any(low <= raw <= high for low, high in f["ranges"])


def mend(group: dict[str, Any], values: dict[str, Raws]) -> bool:
    """Give defaults to what is outside its limits, then to the parameters of each broken rule in
    turn, until none is broken.
    """
    broken = False
    for p in group["parameters"]:
        if not all(allowed(f, raw) for f in p["fields"] for raw in values[f["name"]]):
            values |= defaults(p)
            broken = True
    parameters = {p["name"]: p for p in group["parameters"]}
    rules = []
    for p in group["parameters"]:
        rules += [(p["name"], p["below"], 0)] if p["below"] else []
        rules += [(f["name"], f["name"], 1) for f in p["fields"] if f["rising"]]
    again = True
    while again:
        again = False
        for low, high, shift in rules:
            pairs = zip(values[low], values[high][shift:], strict=not shift)
            if not all(a < b for a, b in pairs):
                for name in (low, high):
                    values |= defaults(parameters[name.partition(".")[0]])
                broken = again = True
    return broken


def random_values(rng: random.Random, group: dict[str, Any]) -> dict[str, Raws]:
    """Values of a group within its limits and rules."""
    while True:
        values = {f["name"]: tuple(random_raw(rng, p["kind"], f) for _ in range(f["count"]))
                  for p in group["parameters"] for f in p["fields"]}
        for p in group["parameters"]:
            f = p["fields"][0]
            if p["kind"] == "text":
                text = "".join(rng.choices("abcµ", k=rng.randrange(f["count"]))).encode()
                values[p["name"]] = tuple(
                    text[:f["count"]].decode("utf-8", "ignore").encode().ljust(f["count"], b"\0"))
            if f["rising"]:
                values[f["name"]] = tuple(sorted(values[f["name"]]))
            if p["below"]:
                pairs = [sorted(pair) for pair in zip(values[p["name"]], values[p["below"]],
                                                      strict=True)]
                values[p["name"]] = tuple(low for low, _ in pairs)
                values[p["below"]] = tuple(high for _, high in pairs)
        if not mend(group, dict(values)):
            return values


def random_raw(rng: random.Random, kind: str, f: dict[str, Any]) -> Any:
    if f["mask"] is not None:
        return rng.getrandbits(64) & f["mask"]
    low, high = rng.choice(f["ranges"]) if f["ranges"] else LIMITS[f["type"]]
    if f["type"] == "f32":
        inside = rng.uniform(low, high) if high - low < 1e300 else 1.5
        return struct.unpack("<f", struct.pack("<f", rng.choice([low, high, inside])))[0]
    if f["type"] == "f64":
        return rng.choice([low, high, 0.75])
    return rng.choice([low, high, rng.randint(low, high)])
