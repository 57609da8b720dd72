"""A second decoder of EEPROM images, written from paramstore/FORMAT.md alone.

It shares no code with the library, not even the CRC: it is the check that FORMAT.md says enough
and that the library does what FORMAT.md says. Input is the JSON object of FORMAT.md section 6 as
plain data, and the name of the store; or, for units of earlier releases, what `paramstore plan
--json` prints.
"""

from __future__ import annotations

import struct
from typing import Any

_TYPES = {
    "u8": "B", "u16": "H", "u32": "I", "u64": "Q",
    "i8": "b", "i16": "h", "i32": "i", "i64": "q",
    "f32": "f", "f64": "d",
}


def crc32c_bit_by_bit(data: bytes) -> int:
    """CRC-32C: reflected, polynomial 0x1EDC6F41 (0x82F63B78 with its bits reversed)."""
    register = 0xFFFFFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0x82F63B78 if register & 1 else 0)
    return register ^ 0xFFFFFFFF


def decode_label(data: bytes) -> dict[str, Any] | None:
    """Section 2: one label copy at the front of `data`; None if its magic or CRC is not right."""
    if data[:4] != bytes.fromhex("50534CD5") or len(data) < 6:
        return None
    page, capacity = 2 ** (data[5] & 15), 128 * 2 ** (data[5] >> 4)
    n = 0 if page == 8 else 8
    if len(data) < 20 + n + 4:
        return None
    (crc,) = struct.unpack_from("<I", data, 20 + n)
    if crc != crc32c_bit_by_bit(data[:20 + n]):
        return None
    version, _, release, store_id, layout_id = struct.unpack_from("<BBHII", data, 4)
    return {
        "version": version, "page": page, "capacity": capacity,
        "release": release & 0x0FFF, "series": release >> 12,
        "store_id": store_id, "layout_id": layout_id,
        "lineage": tuple(data[16:20]),
        "name": data[20:20 + n].rstrip(b"\0").decode("utf-8", "replace"),
    }


def decode_record(data: bytes, slot: int, ring: dict[str, Any], store: str) -> Any:
    """Sections 3 and 4: (sequence, revision, body) of the record at the front of `data`, or None.
    """
    end = 5 + ring["body"]
    if len(data) < end + 4:
        return None
    sequence, revision = struct.unpack_from("<IB", data)
    if sequence == 0 or sequence >= 0xD0000000 or (sequence - 1) % ring["slots"] != slot:
        return None
    lead = struct.pack("<IB", crc32c_bit_by_bit(store.encode()), ring["group"])
    (crc,) = struct.unpack_from("<I", data, end)
    if crc != crc32c_bit_by_bit(lead + data[:end]):
        return None
    return sequence, revision, data[5:end]


def decode_fields(body: bytes, ring: dict[str, Any]) -> dict[str, tuple[Any, ...]]:
    """Section 5: the raws of every field."""
    return {
        f["name"]: struct.unpack_from(f"<{f['count']}{_TYPES[f['type']]}", body, f["offset"])
        for f in ring["fields"]
    }


def served_values(parameters: list[dict[str, Any]],
                  fields: dict[str, tuple[Any, ...]]) -> dict[str, tuple[Any, ...]]:
    """Section 5, served values. `parameters` are in the order of the schema: each has the `name`s,
    `type`, `default` and what else the table of step 1 speaks of for its `fields`, and `below`."""
    values = dict(fields)
    of = {p["name"]: p for p in parameters}
    for parameter in parameters:
        if not all(_can_be(f, values[f["name"]]) for f in parameter["fields"]):
            values.update(_defaults(parameter))
        for f in parameter["fields"]:
            if f["kind"] == "text" and 0 in values[f["name"]]:
                end = values[f["name"]].index(0)
                values[f["name"]] = values[f["name"]][:end] + (0,) * (f["count"] - end)
    rules = []
    for parameter in parameters:
        first = parameter["fields"][0]["name"]
        if parameter["below"]:
            rules.append((first, of[parameter["below"]]["fields"][0]["name"],
                          [parameter, of[parameter["below"]]]))
        if parameter["fields"][0]["kind"] == "curve":
            rules.append((first, None, [parameter]))
    broken = True
    while broken:
        broken = False
        for low, high, both in rules:
            a = values[low]
            b = values[high] if high else a[1:]
            if any(not x < y for x, y in zip(a, b, strict=False)):
                broken = True
                for parameter in both:
                    values.update(_defaults(parameter))
    return values


def _defaults(parameter: dict[str, Any]) -> dict[str, tuple[Any, ...]]:
    return {f["name"]: tuple(f["default"]) for f in parameter["fields"]}


def _can_be(f: dict[str, Any], elements: tuple[Any, ...]) -> bool:
    """The table of step 1."""
    if f["kind"] == "text":
        return _well_formed(bytes(elements).split(b"\0")[0])
    for x in elements:
        if f["kind"] == "bool" and x not in (0, 1):
            return False
        if f["kind"] == "enum" and x not in f["members"].values():
            return False
        if f["kind"] == "flags" and x & ~sum(1 << bit for bit in f["members"].values()):
            return False
        if f["type"] in ("f32", "f64") and (x != x or x in (float("inf"), -float("inf"))):
            return False
        if f["kind"] not in ("bool", "enum", "flags", "bytes") and (
                (f["min"] is not None and x < f["min"]) or (f["max"] is not None and x > f["max"])):
            return False
    return True


def _well_formed(data: bytes) -> bool:
    """UTF-8 as RFC 3629 writes it (from memory): the lead byte says how many follow, and which
    second bytes would make an overlong form, a surrogate or a number above U+10FFFF."""
    at = 0
    while at < len(data):
        lead, low, high = data[at], 0x80, 0xBF
        if lead < 0x80:
            more = 0
        elif 0xC2 <= lead <= 0xDF:
            more = 1
        elif 0xE0 <= lead <= 0xEF:
            more = 2
            low, high = (0xA0 if lead == 0xE0 else low), (0x9F if lead == 0xED else high)
        elif 0xF0 <= lead <= 0xF4:
            more = 3
            low, high = (0x90 if lead == 0xF0 else low), (0x8F if lead == 0xF4 else high)
        else:
            return False
        tail = data[at + 1:at + 1 + more]
        if len(tail) < more or (more and not low <= tail[0] <= high) or any(
                not 0x80 <= byte <= 0xBF for byte in tail[1:]):
            return False
        at += 1 + more
    return True


def decode_image(image: bytes, layout: dict[str, Any], store: str) -> dict[str, Any]:
    """The label that counts, and by group id the newest record: sequence, revision, fields."""
    page = layout["page"]
    label_bytes = 24 + (0 if page == 8 else 8)
    second = -(-label_bytes // page) * page
    groups = {}
    for ring in layout["rings"]:
        found = []
        for slot in range(ring["slots"]):
            at = (ring["first_page"] + slot * ring["slot_pages"]) * page
            record = decode_record(image[at:at + ring["slot_pages"] * page], slot, ring, store)
            if record is not None:
                found.append(record)
        newest = max(found, default=None)
        groups[ring["group"]] = newest and {
            "sequence": newest[0], "revision": newest[1], "fields": decode_fields(newest[2], ring),
        }
    return {"label": decode_label(image) or decode_label(image[second:]), "groups": groups}


# ---- Units of any release, by the data of `paramstore plan --json` -------------------------------


def decode_unit(image: bytes, plan: dict[str, Any]) -> dict[str, Any]:
    """What firmware of a plan serves on a part: "state", and by group its values by field name, and
    the parameters that have their default in place of a stored value. Sections 2, 5 and 9."""
    label = _label_that_counts(image, plan)
    state = _judged(label, plan)
    if state == "refused":
        return {"state": state, "groups": {}}
    older = state in ("older", "none")
    newest = {ring["id"]: _newest(image, ring, plan)
              for ring in (*plan["groups"], *plan["retired_groups"])}
    groups = {}
    for group in plan["groups"]:
        values: dict[str, tuple[Any, ...]] = {}
        unfit = set()
        for parameter in group["parameters"]:
            fields = [f for f in group["fields"] if f["name"] in parameter["fields"]]
            found = {f["name"]: _value(f, group, newest, plan, older) for f in fields}
            if any(None in raws for raws in found.values()):
                unfit.add(parameter["name"])
                found = {f["name"]: tuple(f["default"]) for f in fields}
            values |= found
        groups[group["name"]] = _served(group, values, unfit)
    return {"state": state, "groups": groups}


def _label_that_counts(image: bytes, plan: dict[str, Any]) -> dict[str, Any] | None:
    first, second = plan["label"]["addresses"]
    return decode_label(image[first:]) or decode_label(image[second:])


def _judged(label: dict[str, Any] | None, plan: dict[str, Any]) -> str:
    """Section 2, what firmware makes of a label: "ours", "older", "later", "none" or "refused"."""
    part = plan["part"]
    if label is None:
        return "none"
    if (label["version"], label["store_id"]) != (plan["format"], plan["store_id"]):
        return "refused"
    if (label["page"], label["capacity"]) != (part["page_bytes"], part["capacity_bytes"]):
        return "refused"
    if label["series"] != plan["series"]:
        return "refused"
    if (label["release"], label["layout_id"]) == (plan["release"], plan["layout_id"]):
        return "ours"
    if {"release": label["release"], "layout_id": label["layout_id"]} in plan["known"]:
        return "older"
    gap = label["release"] - plan["release"]
    if plan["release"] and gap > 0 and (
            gap > 4 or label["lineage"][gap - 1] == plan["layout_id"] & 0xFF):
        return "later"
    return "refused"


def _newest(image: bytes, ring: dict[str, Any], plan: dict[str, Any]) -> Any:
    page, found = plan["part"]["page_bytes"], []
    for slot in range(ring["slots"]):
        at = (ring["first_page"] + slot * ring["slot_pages"]) * page
        found.append(decode_record(image[at:at + ring["slot_pages"] * page], slot, {
            "group": ring["id"], "body": ring["body_bytes"], "slots": ring["slots"]},
            plan["store"]))
    return max((record for record in found if record), default=None)


def _value(field: dict[str, Any], group: dict[str, Any], newest: dict[int, Any],
           plan: dict[str, Any], older: bool) -> tuple[Any, ...]:
    """Section 9, the value of a field; None for an element that has none."""
    record = newest[group["id"]]
    if record and record[1] >= field["since"]:
        return _elements(record[2], field["offset"], field["type"], field["count"])
    for row in plan["migrations"] if older else ():
        source = newest.get(row["source"])
        if ((row["group"], row["field"]) == (group["id"], field["name"]) and source
                and row["source_since"] <= source[1] < row["source_until"]):
            stored = _elements(source[2], row["offset"], row["type"], row["count"])
            rest = tuple(field["default"][row["count"]:])
            if field["kind"] == "text":
                rest = (0,) * len(rest)
            return tuple(_converted(row, field["type"], raw) for raw in stored) + rest
    return tuple(field["default"])


def _elements(body: bytes, offset: int, kind: str, count: int) -> tuple[Any, ...]:
    return struct.unpack_from(f"<{count}{_TYPES[kind]}", body, offset)


def _converted(row: dict[str, Any], kind: str, raw: Any) -> Any:
    if "members" in row:
        numbers = dict(row["members"]["pairs"])
        if not row["members"]["bits"]:
            return numbers.get(raw)
        bits = [numbers.get(bit) for bit in range(64) if raw >> bit & 1]
        return None if None in bits else sum(1 << bit for bit in bits)
    if "arithmetic" not in row:
        return raw
    n, k, d = (row["arithmetic"][name] for name in "nkd")
    if isinstance(raw, float):
        value: Any = raw * float(n)
        value = (value + float(k) if k else value) / float(d)
        if kind[0] != "f":
            if not -2.0**63 < value < 2.0**63:
                return None
            value = round(value)
    elif kind[0] == "f":
        value = float(raw * n + k) / float(d)
    else:
        whole, rest = divmod(raw * n + k, d)
        value = whole + (2 * rest > d or (2 * rest == d and whole % 2 == 1))
    try:
        (stored,) = struct.unpack(f"<{_TYPES[kind]}", struct.pack(f"<{_TYPES[kind]}", value))
    except (struct.error, OverflowError):
        return None
    return stored if stored - stored == 0 else None


def _served(group: dict[str, Any], values: dict[str, tuple[Any, ...]],
            unfit: set[str]) -> dict[str, Any]:
    """Section 5: what is served for values that cannot be, and for those that break a rule."""
    fields = {f["name"]: f for f in group["fields"]}
    owner = {name: p for p in group["parameters"] for name in p["fields"]}

    def default(parameter: dict[str, Any]) -> None:
        unfit.add(parameter["name"])
        for name in parameter["fields"]:
            values[name] = tuple(fields[name]["default"])

    for parameter in group["parameters"]:
        if not all(_possible(fields[name], values[name]) for name in parameter["fields"]):
            default(parameter)
    for name, field in fields.items():
        if field["kind"] == "text":
            text = bytes(values[name]).partition(b"\0")[0]
            values[name] = tuple(text.ljust(field["count"], b"\0"))
    again = True
    while again:
        again = False
        for rule in group["rules"]:
            low, high = values[rule["low"]], values[rule["high"]]
            if rule["low"] == rule["high"]:
                high = high[1:]
            if not all(a < b for a, b in zip(low, high, strict=False)):
                again = True
                for name in {rule["low"], rule["high"]}:
                    default(owner[name])
    return {"values": values, "defaulted": unfit}


def _possible(field: dict[str, Any], raws: tuple[Any, ...]) -> bool:
    if field["kind"] == "text":
        try:
            bytes(raws).partition(b"\0")[0].decode("utf-8")
        except UnicodeDecodeError:
            return False
        return True
    if field["mask"] is not None:
        return not any(raw & ~field["mask"] for raw in raws)
    return all(raw - raw == 0 and (not field["ranges"] or any(
        low <= raw <= high for low, high in field["ranges"])) for raw in raws)
