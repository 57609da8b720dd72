"""The harness of one plan: its C files, ready to compile for any processor.

The runtime goes in as it is. Knows what the harness must be told of a plan; runs no job. Types,
macros and constants of the harness begin with one capital and small letters (`Part_t`,
`Oracle_GOOD`): names made from a schema have capitals only or small letters only, so none clashes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from paramstore.core.format import SKIP_LIMIT
from paramstore.firmware.generate import generate, runtime_files
from paramstore.firmware.view import view_of
from paramstore.layout.figures import READ_BACK_BYTES
from paramstore.layout.plan import Plan
from paramstore.verify.cuts.explorer import Explorer
from paramstore.verify.cuts.pictures import MOST_PICTURES, Pictures, make_pictures
from paramstore.verify.rig.native import NativeTarget
from paramstore.verify.rig.toolchain import Compiler, find_compiler

__all__ = ["MEMO_STATES", "Harness", "build_harness", "build_library", "harness_texts",
           "write_harness"]

MEMO_STATES = 1 << 14
"""Places for states from which everything has been tried, some 424 bytes each. A power of two."""

_CONFIG = """/* What the harness must know of {store}. Written by paramstore. */
#ifndef Cuts_CONFIG_H
#define Cuts_CONFIG_H

#define Cuts_HEADER "{header}"
#define Cuts_STORE_T {store_t}
#define Cuts_VALUES_T {values_t}
#define Cuts_INIT {init}
#define Cuts_LAYOUT {layout}

#define Cuts_CAPACITY {capacity}u
#define Cuts_PAGE {page}u
#define Cuts_ADDRESS {address}u
#define Cuts_ADDRESS_BYTES {address_bytes}
#define Cuts_BLOCK_BITS {block_bits}u
#define Cuts_BLOCK_SHIFT {block_shift}u

#define Cuts_GROUPS {groups}u
#define Cuts_MAX_WRITES {writes}u /* of one call */
#define Cuts_PICTURES {pictures}u
#define Cuts_MEMO {memo}u
#define Cuts_SPANS {spans}

#endif
"""


def harness_texts(plan: Plan, pictures: Pictures, *, memo: int = MEMO_STATES,
                  wipe: bool = True) -> dict[str, str]:
    """Return the harness and its configuration by file name, without runtime and tables.

    `memo` is a power of two or 0; without `wipe`, static memory is too small for ps_wipe.
    FindingsError if the plan cannot become C.
    """
    view = view_of(plan)
    part = plan.part
    config = _CONFIG.format(
        store=view.name, header=view.header, store_t=view.c_type, values_t=view.values_type,
        init=view.init, layout=view.layout, capacity=part.capacity, page=part.page,
        address=f"0x{plan.schema.address:02X}", address_bytes=part.address_bytes,
        block_bits=part.block_bits, block_shift=part.block_shift, groups=len(plan.rings),
        writes=_most_writes(plan, wipe), pictures=MOST_PICTURES, memo=memo,
        spans=" ".join(f"Cuts_SPAN({g.name}, {pictures.count(g.name)}u)" for g in view.groups))
    folder = files("paramstore.verify.cuts") / "harness"
    texts = {entry.name: entry.read_text("utf-8")
             for entry in sorted(folder.iterdir(), key=lambda e: e.name)
             if entry.name.endswith((".c", ".h"))}
    return {**texts, "cuts_config.h": config}


def write_harness(plan: Plan, pictures: Pictures, folder: Path, *, memo: int = MEMO_STATES,
                  wipe: bool = True, runtime: Mapping[str, str] | None = None) -> list[Path]:
    """Write harness, tables and runtime (`runtime` instead of the real one) into `folder`.

    Return the C files to compile, with `folder` among the places of headers.
    """
    texts = {**harness_texts(plan, pictures, memo=memo, wipe=wipe), **generate(plan),
             **(runtime_files() if runtime is None else runtime)}
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (folder / name).write_text(text, "utf-8")
    return [folder / name for name in texts if name.endswith(".c")]


def build_library(plan: Plan, pictures: Pictures, folder: Path, *,
                  compiler: Compiler | None = None, flags: Sequence[str] = ("-O2",),
                  runtime: Mapping[str, str] | None = None, memo: int = MEMO_STATES) -> Path:
    """Compile the harness to a shared library for this computer and return its path.

    ToolError if there is no compiler or it fails.
    """
    sources = write_harness(plan, pictures, folder, runtime=runtime, memo=memo)
    compiler = compiler or find_compiler()
    return compiler.library(sources, folder / "cuts", ("-std=c99", *flags)).resolve()


@dataclass(frozen=True, slots=True)
class Harness:
    """A compiled harness, ready for any process to load."""

    plan: Plan
    pictures: Pictures
    library: Path
    compiler: str

    def explorer(self) -> Explorer:
        """Load it into this process. All explorers of one library share one state."""
        return Explorer(self.plan, self.pictures, NativeTarget(self.library))


def build_harness(plan: Plan, folder: Path, compiler: Compiler | None = None) -> Harness:
    """Compile the harness of a plan for this computer, in `folder`.

    ToolError if there is no compiler or it fails, FindingsError if the plan cannot become C.
    """
    compiler = compiler or find_compiler()
    pictures = make_pictures(plan)
    return Harness(plan, pictures, build_library(plan, pictures, folder, compiler=compiler),
                   compiler.name)


def _most_writes(plan: Plan, wipe: bool) -> int:
    """Page writes of the longest call: a commit in which every record passes over slots, a format,
    or a wipe of all rings, piece by piece, which writes the label thrice."""
    commit = max(r.group.copies * (1 + SKIP_LIMIT) * r.slot_pages for r in plan.rings)
    labels = (3 if wipe else 2) * plan.label_pages
    piece = min(plan.part.page, READ_BACK_BYTES)
    rings = sum(r.slots * r.slot_pages * (plan.part.page // piece)
                for r in (*plan.rings, *plan.retired_sources))
    return max(commit, labels + (rings if wipe else 0))
