"""The history of the example: its releases are those that its texts give, and show every change."""

from __future__ import annotations

from pathlib import Path

from paramstore.core.errors import SourceText
from paramstore.releases.changes import changes
from paramstore.releases.history import load_history, release_folder
from paramstore.releases.links import link
from paramstore.releases.project import freeze, open_project
from paramstore.schema.reader import read_schema
from tests.releases.histories import SCHEMA, TANK_PROBE

KINDS = {
    2: {"PS750": "append", "PS752": "rename", "PS762": "in another unit, hours to minutes",
        "PS759": "new member", "PS756": "another default", "PS751": "new group"},
    3: {"PS753": "split: the group goes on under a new name, a new one takes half", "PS763": "",
        "PS762": "scaled, degrees to hundredths"},
    4: {"PS754": "retire", "PS764": "grow", "PS758": "narrower limits", "PS762": "wider, finer",
        "PS763": "merge: a parameter moves from the group that is retired", "PS755": ""},
    5: {"PS750": "append", "PS752": "rename", "PS759": "new member", "PS756": "another default"},
}
"""By release, the codes of what is new in it."""


def test_the_example_uses_every_kind_of_change() -> None:
    """Append, retire, rename, convert with scale, re-unite, move, grow, split, merge, new members,
    narrower limits, another default, another unit: each release has what it is said to have."""
    plans = load_history(SCHEMA).plans
    texts = [SourceText(p.name, p.read_text("utf-8")) for p in TANK_PROBE]
    for before, text in zip(plans[:-1], texts[1:], strict=True):
        schema = read_schema(text)[0]
        made = changes(before, schema, link(plans[:before.release], schema))
        assert set(KINDS[before.release + 1]) <= {c.code for c in made}


def test_releases_are_those_of_the_texts(tmp_path: Path) -> None:
    """Freezing the texts that are kept gives the plans of the release files beside the schema; the
    schema as it stands is the last of them."""
    path = tmp_path / SCHEMA.name
    for text in TANK_PROBE:
        source = SourceText(str(path), text.read_text("utf-8"))
        freeze(source, open_project(source))
    made, kept = load_history(path), load_history(SCHEMA)
    assert made.plans == kept.plans
    assert 5 == len(kept.releases) == open_project(
        SourceText(str(SCHEMA), SCHEMA.read_text("utf-8"))).plan.release
    assert all(r.note for r in kept.releases)
    assert len(list(release_folder(SCHEMA).iterdir())) == 5
