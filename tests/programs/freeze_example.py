"""Freeze the releases of tank_probe anew, from the schema texts that are kept of each.

    python -m tests.programs.freeze_example

For a change of the layout or of the release files: nothing of the example has shipped. Each release
keeps its note. The figures of `long_campaign` are of a layout id: make them anew afterwards.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from tempfile import TemporaryDirectory

from paramstore.core.errors import SourceText
from paramstore.releases.history import release_folder
from paramstore.releases.project import freeze, open_project
from tests.releases.histories import SCHEMA, TANK_PROBE


def main(schema: Path = SCHEMA) -> int:
    """Run the program on the releases beside `schema`, all or none."""
    folder = release_folder(schema)
    kept = sorted(folder.glob("*.json"))
    notes = [json.loads(path.read_text("utf-8"))["note"] for path in kept]
    with TemporaryDirectory() as made:
        copy = Path(made) / schema.name
        for text, note in zip(TANK_PROBE, notes, strict=True):
            source = SourceText(str(copy), text.read_text("utf-8"))
            path, plan = freeze(source, open_project(source), note)
            print(f"release {plan.release}: layout 0x{plan.layout_id:08X}")
        for path in release_folder(copy).iterdir():
            shutil.copyfile(path, folder / path.name)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
