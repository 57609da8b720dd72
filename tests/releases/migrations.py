"""`migrations.c`, compiled with the firmware of one release: the power goes while a unit of an
earlier release is migrated."""

from __future__ import annotations

import ctypes
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from paramstore.firmware.generate import generate, runtime_files
from paramstore.layout.plan import Plan
from paramstore.verify.cuts.build import harness_texts
from paramstore.verify.cuts.pictures import make_pictures
from paramstore.verify.rig.toolchain import find_compiler

__all__ = ["WRONG", "Migrations", "Result", "migration_of"]

SOURCE = Path(__file__).parent / "migrations.c"
LEVELS = 4
WRONG = ("nothing", "a status", "the values", "not settled after ps_format", "a mixture for others")


class Result(ctypes.Structure):
    """`result_t`."""

    _fields_ = (("cuts", ctypes.c_uint64), ("states", ctypes.c_uint64),
                ("boots", ctypes.c_uint64), ("writes", ctypes.c_uint32),
                ("wrong", ctypes.c_uint32), ("path", ctypes.c_uint32 * 4 * LEVELS))


class Migrations:
    """The firmware of one release with `migrations.c`."""

    def __init__(self, plan: Plan, library: Path) -> None:
        self.plan = plan
        self._c = ctypes.CDLL(str(library))
        self._result = Result.in_dll(self._c, "migration_result")

    def remember(self, before: bytes, after: bytes) -> None:
        """As a witness, accept of each group what either image holds."""
        self._c.migration_remember(before, after)

    def run(self, image: bytes, cuts: int, samples: int,
            witness: Migrations | None = None) -> Result:
        """Migrate an image, with up to so many cuts; say in words what went wrong."""
        other = ctypes.cast(witness._c.migration_witness if witness else None, ctypes.c_void_p)
        self._c.migration_run(image, cuts, samples, other)
        result = self._result
        path = [tuple(step) for step in result.path][:cuts]
        assert not result.wrong, f"{WRONG[result.wrong]} after cuts (write, kind, at, seed) {path}"
        return result


_FOLDER = TemporaryDirectory(prefix="migration-")


@cache
def migration_of(plan: Plan) -> Migrations:
    """Compile it for a released plan."""
    folder = Path(_FOLDER.name) / f"{plan.schema.name}{plan.release}"
    firmware = {**generate(plan), **runtime_files(), "migrations.c": SOURCE.read_text("utf-8")}
    harness = harness_texts(plan, make_pictures(plan))
    folder.mkdir()
    for name, text in {**firmware, **harness}.items():
        (folder / name).write_text(text, "utf-8")
    sources = [folder / name for name in (*firmware, "part.c") if name.endswith(".c")]
    library = find_compiler().library(sources, folder / "migration", ("-std=c99",))
    return Migrations(plan, library.resolve())
