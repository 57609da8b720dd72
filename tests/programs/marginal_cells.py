"""Print what weak cells do to a ring: of 10^6 random histories, in how many something is lost.

    python -m tests.programs.marginal_cells
    python -m tests.programs.marginal_cells --histories 1000000 --json

A cut page write leaves some bits that read differently from one reading to the next. Each history
is 3 to 15 boots of 1 to 8 commits of one group, with the compiled runtime; one boot in two, never
the last one, is cut in one of its page writes. The same seed gives the same figures.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict

from paramstore.core.errors import ParamstoreError
from paramstore.report.tables import Column, table
from paramstore.verify.cuts.histories import EVERY_SETTING, Counts, Setting, measure
from tests.programs.progress import Progress

KINDS = ("lost", "back", "returned", "empty", "mixed", "failed")
SLOTS = sorted({s.slots for s in EVERY_SETTING})
COPIES = sorted({s.copies for s in EVERY_SETTING})


def report(found: Mapping[Setting, Counts], seed: int) -> list[str]:
    """The figures as text."""
    histories = next(iter(found.values())).histories
    columns = [Column("copies"), Column("slots"), Column("settle", right=False),
               Column("weak bits"), *(Column(kind) for kind in KINDS)]
    rows = [[str(s.copies), str(s.slots), "yes" if s.settle else "no", s.weakness.name,
             *(f"{counts.per_million(kind):.0f}" for kind in KINDS)]
            for s, counts in found.items()]
    boots = sum(c.boots for c in found.values()) / len(found) / histories
    cuts = sum(c.cuts for c in found.values()) / len(found) / histories
    return [f"{histories} histories of each setting, seed {seed}: {boots:.1f} boots and "
            f"{cuts:.1f} cuts in each; histories of 10^6 in which it happened", "",
            *table(columns, rows)]


def data(found: Mapping[Setting, Counts], seed: int) -> dict[str, object]:
    """The figures for programs: plain counts."""
    return {"schema_version": 1, "seed": seed, "settings": [
        {"copies": s.copies, "slots": s.slots, "settle": s.settle, "weak_bits": s.weakness.name,
         **asdict(counts)} for s, counts in found.items()]}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--histories", type=int, default=100_000, help="of each setting")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--slots", type=int, choices=SLOTS, help="only this many")
    parser.add_argument("--copies", type=int, choices=COPIES, help="only this many")
    parser.add_argument("--jobs", type=int, help="processes; all processors by default")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    if options.histories < 1 or not 0 <= options.seed < 2**32:
        parser.error("there must be at least one history, and the seed has 32 bits")
    if options.jobs is not None and options.jobs < 1:
        parser.error("there must be at least one process")
    wanted = [s for s in EVERY_SETTING if options.slots in (None, s.slots)
              and options.copies in (None, s.copies)]
    try:
        found = measure(options.histories, settings=wanted, seed=options.seed,
                        workers=options.jobs, progress=Progress())
    except ParamstoreError as error:
        parser.exit(2, f"{error}\n{getattr(error, 'help', '')}\n")
    if options.json:
        print(json.dumps(data(found, options.seed), indent=2))
    else:
        print("\n".join(report(found, options.seed)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
