"""Histories of stores for tests: schema texts frozen one after another."""

from __future__ import annotations

import json
import random
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from paramstore.core.errors import FindingsError, SourceText
from paramstore.layout.plan import Plan
from paramstore.releases.history import load_history, release_folder
from paramstore.releases.project import freeze, open_project
from tests.releases.edits import ROOM, Store, edited, new_store, settled
from tests.releases.model import Model

__all__ = ["Past", "careful", "freeze_texts", "grow", "grown", "past_of", "relaid", "tank_probe"]

SCHEMA = Path(__file__).parents[2] / "schemas" / "tank_probe.toml"
TANK_PROBE = [*sorted((Path(__file__).parent / "tank_probe").glob("*.toml")), SCHEMA]
"""The schema texts of the releases of the example; the schema as it stands is the last one."""


@dataclass(frozen=True)
class Past:
    """The plans of all releases, release 1 first, and the model of the same."""

    plans: tuple[Plan, ...]
    model: Model

    @property
    def releases(self) -> range:
        return range(1, len(self.plans) + 1)

    def plan(self, release: int) -> Plan:
        return self.plans[release - 1]


def past_of(texts: list[str]) -> Past:
    """Freeze schema texts one after another, in a folder that is gone when this returns."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "store.toml"
        freeze_texts(path, texts)
        return _past(path)


def freeze_texts(path: Path, texts: list[str]) -> None:
    """Freeze schema texts one after another beside the schema file `path`."""
    for text in texts:
        source = SourceText(str(path), text)
        freeze(source, open_project(source))


def grown(rng: random.Random, releases: int, name: str = "store", anew: int = 0) -> Past:
    """A random history: each release follows from the one before by a few legal edits. The one of
    number `anew` begins a new series, on another part and with other room."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "store.toml"
        grow(path, rng, releases, name, anew)
        return _past(path)


def grow(path: Path, rng: random.Random, releases: int, name: str = "store",
         anew: int = 0) -> Store:
    """Freeze a random history beside the schema file `path`; return its last state."""
    store = new_store(rng, name)
    source = SourceText(str(path), store.text())
    freeze(source, open_project(source))
    for number in range(2, releases + 1):
        following = edited(store, rng)
        if number == anew:
            following.series += 1
            following.part = rng.choice(("24LC32A", "24LC64", "24LC128"))
            following.room = rng.randint(40, 90)
        source = SourceText(str(path), following.text())
        try:
            freeze(source, open_project(source))
        except FindingsError as error:
            codes = {f.code for f in error.findings}
            assert codes <= ROOM | {"PS716"}, (codes, following.text())
        else:
            store = settled(following)
    return store


def _past(schema: Path) -> Past:
    files = sorted(release_folder(schema).iterdir())
    model = Model([json.loads(f.read_text("utf-8")) for f in files])
    return Past(load_history(schema).plans, model)


@cache
def careful() -> Past:
    """Three releases in which each value changes its unit, names, storage or place every time."""
    folder = Path(__file__).parent / "careful"
    return past_of([path.read_text("utf-8") for path in sorted(folder.glob("*.toml"))])


@cache
def relaid() -> Past:
    """The same, and a sixth one of another series: a larger part, longer rings, and edits."""
    later = Path(__file__).parent / "relaid" / "0006.toml"
    return past_of([path.read_text("utf-8") for path in (*TANK_PROBE, later)])


@cache
def tank_probe() -> Past:
    """The five releases of the example."""
    return past_of([path.read_text("utf-8") for path in TANK_PROBE])
