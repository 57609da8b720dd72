"""`paramstore compare`: what leads from one state of a store to another."""

from __future__ import annotations

import click

from host_tools.options import json_option, range_options
from host_tools.terminal import answer, tint_verdict


@click.command()
@click.argument("old")
@click.argument("new", required=False)
@range_options("The older release, of OLD.", "The newer release, of NEW, or of OLD without NEW.")
@json_option
def command(old: str, new: str | None, first: int | None, last: int | None) -> int:
    """Example: paramstore compare schemas/tank_probe.toml --from 1

    Say what changed, and what each change means for units in the field. OLD and NEW are schema or
    release files. With OLD alone two states of it are compared: release --from with release --to,
    or with the schema as it stands. Without --from that is the last release before; a release file
    alone is compared with the one before it. Exit code 1: units made with the older state cannot go
    on with the firmware of the newer; "verdict" of the JSON says why.
    """
    from paramstore.releases.changes import Impact
    from paramstore.releases.versions import compare_versions, find_former, find_version
    from paramstore.report.changes import change_lines, changes_data

    after = find_version(old if new is None else new, last)
    before = (find_former(after, old) if new is None and first is None
              else find_version(old, first))
    found = compare_versions(before, after)

    def text() -> str:
        what = found.verdict.value if found.changes or found.findings else "nothing changed"
        return "\n".join([*change_lines(found.changes, tint_verdict),
                          f"{before.name} to {after.name}: " + tint_verdict(what, found.verdict),
                          ""])

    answer(found.findings, lambda: {
        "old": before.name, "new": after.name, "verdict": found.verdict.value,
        "changes": changes_data(found.changes)}, text)
    return 1 if found.verdict in (Impact.RELAYOUT, Impact.REFUSED) else 0
