"""The releases of a store on disk: one file each, beside the schema, only ever added to.

`tank_probe.toml` has its releases in `tank_probe.releases/0001.json`, `0002.json` and so on. A file
carries a digest of its content and that of the file before it, so that an edit, a gap or another
order shows. The digests find accidents; they are no signature.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, cast

from paramstore.core.disk import (
    create_text,
    followed,
    is_there,
    make_folder,
    names_in,
    read_text,
)
from paramstore.core.errors import Finding, FindingsError, SourceText, ToolError
from paramstore.core.format import LAST_RELEASE
from paramstore.layout.plan import Plan

if TYPE_CHECKING:
    from paramstore.releases.release import PlanData, ReleaseData

__all__ = [
    "FILE_VERSION",
    "Release",
    "ReleaseHistory",
    "load_history",
    "load_release",
    "release_folder",
    "write_release",
]

FILE_VERSION = 1
"""Of the release files; grows when a key changes its meaning."""


class Release(NamedTuple):
    """One release: its plan, with all that later firmware needs, its digest, and its note."""

    plan: Plan
    digest: str
    note: str = ""

    @property
    def number(self) -> int:
        """Its number, from 1."""
        return self.plan.release


class ReleaseHistory(NamedTuple):
    """All releases of a store, number 1 first."""

    releases: tuple[Release, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.releases)

    @property
    def plans(self) -> tuple[Plan, ...]:
        """The plans, that of release 1 first."""
        return tuple(r.plan for r in self.releases)

    @property
    def last(self) -> Plan:
        """The plan of the latest release; IndexError if there is none."""
        return self.releases[-1].plan

    def release(self, number: int) -> Plan:
        """Return the plan of a release; ToolError if there is none of that number."""
        if not 1 <= number <= len(self.releases):
            there = f"there are 1 to {len(self.releases)}" if self else "nothing was released yet"
            raise ToolError(f"there is no release {number}", there)
        return self.releases[number - 1].plan


def release_folder(schema_path: str | Path) -> Path:
    """Return the folder that the releases of a schema file are in; if the file is a link, it may
    also be beside what that leads to.

    ToolError if both are there, or it cannot be told.
    """
    folder = Path(schema_path).with_suffix(".releases")
    if not Path(schema_path).is_symlink():
        return folder
    linked = followed(schema_path).with_suffix(".releases")
    if not is_there(linked):
        return folder
    if is_there(folder) and followed(folder) != followed(linked):
        raise ToolError(f"`{schema_path}` has two folders of releases, `{folder}` and `{linked}`",
                        "name the schema without the link, or take one of the folders away")
    return linked


def load_history(schema_path: str | Path) -> ReleaseHistory:
    """Return the releases of a schema file; an empty history if it has none.

    A folder that cannot be read is a ToolError: to lay out a store that was released as if it had
    not been would make firmware and images that no unit in the field fits.
    FindingsError (PS711 to PS714) if a file was edited, is missing or is not what it should be.
    """
    folder = release_folder(schema_path)
    names = names_in(folder) if is_there(folder) else []
    files = [folder / name for name in sorted(names, key=lambda n: (len(n), n))
             if name.lower().endswith(".json")]
    releases: list[Release] = []
    for path in files:
        if not path.stem.isdecimal() or path.name != f"{int(path.stem):04}.json":
            raise FindingsError([_finding(
                "PS714", path, f"`{path.name}` is not called like a release file",
                "take it out of the folder: releases are `0001.json`, `0002.json` and so on")])
    for number, path in enumerate(files, 1):
        if path.name != f"{number:04}.json":
            raise FindingsError([_finding(
                "PS712", path, f"release {number} is missing: the next file is `{path.name}`",
                "bring the file back from version control")])
        releases.append(_load(path, number, releases[-1].digest if releases else None))
    if not releases:
        return ReleaseHistory()
    from paramstore.releases.migrations import with_migrations

    plans: list[Plan] = []
    for release in releases:
        plans.append(with_migrations(release.plan, plans))
    return ReleaseHistory(tuple(Release(plan, r.digest, r.note)
                         for plan, r in zip(plans, releases, strict=True)))


def load_release(path: str | Path) -> Plan:
    """Return the plan of one release file, without its past; errors as `load_history`."""
    data = _read(Path(path))
    return _checked_plan(Path(path), data, data["release"])


def write_release(schema_path: str | Path, plan: Plan, history: ReleaseHistory,
                  note: str = "") -> Path:
    """Write `plan` as the release after those in `history`; return the path of the new file.

    ToolError if the file is there already or the numbers are used up.
    """
    from paramstore.releases.release import plan_to_data

    number = len(history.releases) + 1
    path = release_folder(schema_path) / f"{number:04}.json"
    if number > LAST_RELEASE:
        raise ToolError(f"a label holds release numbers up to {LAST_RELEASE}")
    data: dict[str, object] = {
        "paramstore_release": FILE_VERSION,
        "release": number,
        "note": note,
        "previous": history.releases[-1].digest if history else None,
        **plan_to_data(plan),
    }
    data["digest"] = _digest(data)
    make_folder(path.parent)
    create_text(path, json.dumps(data, indent=1, ensure_ascii=False) + "\n")
    return path


def _load(path: Path, number: int, previous: str | None) -> Release:
    data = _read(path)
    if data["release"] != number or data["previous"] != previous:
        raise FindingsError([_finding(
            "PS713", path, f"`{path.name}` does not follow the release before it",
            "releases are never exchanged or taken out; bring the files back from version control",
        )])
    return Release(_checked_plan(path, data, number), data["digest"], data["note"])


def _read(path: Path) -> ReleaseData:
    """Return the content of a file whose digest is right."""
    try:
        data = json.loads(read_text(path).text)
        version = data["paramstore_release"]
        intact = data["digest"] == _digest(data) and {"release", "previous", "note"} <= set(data)
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise FindingsError([_finding(
            "PS714", path, f"`{path.name}` is not a release file",
            "bring the file back from version control")]) from error
    if version != FILE_VERSION:
        raise FindingsError([_finding(
            "PS714", path, f"`{path.name}` was written by another version of paramstore",
            "use a newer paramstore")])
    if not intact:
        raise FindingsError([_finding(
            "PS711", path, f"`{path.name}` was edited after the release",
            "bring the file back from version control; a change goes into the schema, and into "
            "the next release")])
    return cast("ReleaseData", data)


def _checked_plan(path: Path, data: PlanData, number: int) -> Plan:
    from paramstore.releases.release import plan_from_data

    try:
        plan = plan_from_data(data, number)
        sound = plan.layout_id == data["layout_id"]
    except (KeyError, TypeError, ValueError, ArithmeticError) as error:
        raise FindingsError([_finding(
            "PS714", path, f"`{path.name}` is not a release file",
            "bring the file back from version control")]) from error
    if not sound:
        raise FindingsError([_finding(
            "PS714", path, f"the layout id of `{path.name}` is not that of its content",
            "bring the file back from version control")])
    return plan


def _digest(data: Mapping[str, object]) -> str:
    """Return the SHA-256 of everything but the digest itself, white space aside."""
    content = {k: v for k, v in data.items() if k != "digest"}
    text = json.dumps(content, separators=(",", ":"), ensure_ascii=False)
    import hashlib  # not needed as long as there is no release

    return hashlib.sha256(text.encode()).hexdigest()


def _finding(code: str, path: Path, message: str, help: str) -> Finding:
    return Finding(code, message, SourceText(str(path), ""), help=help)
