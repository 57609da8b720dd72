"""UF2, to place an image into the flash of a controller through its boot loader.

512-byte blocks, each complete in itself. Source: the UF2 specification (microsoft/uf2,
README.md). The family ID says which controllers take the file; it and the address come from the
person, for nothing here can know them.
"""

from __future__ import annotations

import struct
from collections import Counter
from collections.abc import Sequence

from paramstore.core.errors import SourceText, ToolError
from paramstore.core.format import ERASED
from paramstore.files.runs import (
    READ_DEFAULTS,
    Collector,
    Reading,
    ReadOptions,
    Run,
    WriteOptions,
    filled,
    flatten,
)

__all__ = ["read", "write"]

_BLOCK_BYTES = 512
_MAGIC = b"UF2\n"  # 0x0A324655
_MAGIC_2, _MAGIC_END = 0x9E5D5157, 0x0AB16F30
_HEAD = struct.Struct("<4s7I")
_PAYLOAD_BYTES, _MOST_BYTES = 256, 476
_NOT_FLASH, _FILE, _FAMILY = 0x1, 0x1000, 0x2000


def write(runs: Sequence[Run], options: WriteOptions) -> bytes:
    """Return blocks of 256 bytes from aligned addresses; what no run gives in them is filled.

    ToolError without a family, and for an offset that is no multiple of 4.
    """
    if options.family is None:
        raise ToolError("UF2 needs the family ID of the controller that takes the file",
                        "give --family 0x...; the maker of the boot loader names it")
    if options.offset % 4:
        raise ToolError(f"0x{options.offset:X} is not a multiple of 4, as UF2 demands")
    first = {a for r in runs for a in range(r.address & -_PAYLOAD_BYTES, r.end, _PAYLOAD_BYTES)}
    blocks = []
    for number, address in enumerate(sorted(first)):
        near = [r for r in runs if r.address < address + _PAYLOAD_BYTES and r.end > address]
        data = filled(*flatten(near, address, address + _PAYLOAD_BYTES), options.fill)
        head = _HEAD.pack(_MAGIC, _MAGIC_2, _FAMILY, address, _PAYLOAD_BYTES, number, len(first),
                          options.family)
        blocks.append(head + data.ljust(_MOST_BYTES, bytes([ERASED]))
                      + _MAGIC_END.to_bytes(4, "little"))
    return b"".join(blocks)


def read(content: bytes, path: str, _options: ReadOptions = READ_DEFAULTS) -> Reading:
    """Return what the blocks for flash say. FindingsError for every block that is wrong (PS627),
    for a file for several families (PS628), and for one that was cut short (PS624)."""
    found = Collector(SourceText(path, ""))
    families: Counter[int | None] = Counter()  # blocks of each; None: no family ID
    wanted = 0
    if len(content) % _BLOCK_BYTES:
        found.fail("PS627", f"the file has {len(content)} bytes, not a multiple of {_BLOCK_BYTES}")
    for at in range(0, len(content) - len(content) % _BLOCK_BYTES, _BLOCK_BYTES):
        wanted = max(wanted, _block(found, families, at // _BLOCK_BYTES,
                                    content[at:at + _BLOCK_BYTES]))
    if len(families) > 1:
        names = ", ".join("none" if f is None else f"0x{f:08X}" for f in families)
        found.fail("PS628", f"the file is for several families: {names}",
                   help="take the blocks of one family out of it")
    elif not found.findings and families.total() < wanted:
        found.fail("PS624", f"the file has {families.total()} of {wanted} blocks: it was cut short")
    family = next((f"0x{f:08X}" for f in families if f is not None), "none")
    return found.finish("uf2", f"UF2, family {family}")


def _block(found: Collector, families: Counter[int | None], index: int, block: bytes) -> int:
    """Take one block; return how many blocks it says that the file has, 0 if it does not count."""
    magic, second, flags, address, size, number, count, extra = _HEAD.unpack_from(block)
    end = int.from_bytes(block[-4:], "little")
    name = f"block {index}"
    if (magic, second, end) != (_MAGIC, _MAGIC_2, _MAGIC_END):
        found.fail("PS627", f"{name} does not have the magic numbers of UF2")
    elif size > _MOST_BYTES or size % 4 or address % 4:
        found.fail("PS627", f"{name} gives {size} bytes at 0x{address:X}; a block holds at most "
                   f"{_MOST_BYTES}, in steps of 4")
    elif number >= count:
        found.fail("PS627", f"{name} says that it is number {number} of {count}")
    elif not flags & (_NOT_FLASH | _FILE):
        families[extra if flags & _FAMILY else None] += 1
        found.add_run(address, block[_HEAD.size:_HEAD.size + size])
        return int(count)
    return 0
