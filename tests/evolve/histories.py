"""Histories of stores for tests: schema texts frozen one after another."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from paramstore.errors import SourceText
from paramstore.evolve.history import load_history, release_folder
from paramstore.evolve.project import freeze, open_project
from paramstore.layout.plan import Plan
from tests.evolve.model import Model

__all__ = ["Past", "past_of", "relaid", "tank_probe"]

SCHEMA = Path(__file__).parents[2] / "schemas" / "tank_probe.toml"
TANK_PROBE = [*sorted((Path(__file__).parent / "tank_probe").glob("*.toml")), SCHEMA]
"""The schema texts of the releases of the example; the schema as it stands is the last one."""


@dataclass(frozen=True)
class Past:
    """The plans of all releases, release 1 first, and the model of the same."""

    plans: tuple[Plan, ...]
    model: Model

    def plan(self, release: int) -> Plan:
        return self.plans[release - 1]


def past_of(texts: list[str]) -> Past:
    """Freeze schema texts one after another, in a folder that is gone when this returns."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "store.toml"
        for text in texts:
            source = SourceText(str(path), text)
            freeze(source, open_project(source))
        files = sorted(release_folder(path).iterdir())
        model = Model([json.loads(f.read_text("utf-8")) for f in files])
        return Past(load_history(path).plans, model)


@cache
def relaid() -> Past:
    """The same, and a sixth one of another series: a larger part, longer rings, and edits."""
    later = Path(__file__).parent / "relaid" / "0006.toml"
    return past_of([path.read_text("utf-8") for path in (*TANK_PROBE, later)])


@cache
def tank_probe() -> Past:
    """The five releases of the example."""
    return past_of([path.read_text("utf-8") for path in TANK_PROBE])
