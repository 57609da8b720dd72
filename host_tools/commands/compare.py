"""`paramstore compare`: what leads from one state of a store to another."""

from __future__ import annotations

import click

from host_tools.terminal import say, say_json, show_findings, tint_verdict


@click.command()
@click.argument("old")
@click.argument("new", required=False)
@click.option("--json", "as_json", is_flag=True, help="Write JSON.")
@click.pass_context
def command(ctx: click.Context, old: str, new: str | None, as_json: bool) -> None:
    """Example: paramstore compare schemas/tank_probe.toml@1 schemas/tank_probe.toml

    Say what changed from OLD to NEW, and what each change means for units in the field. Both are a
    schema file, SCHEMA@N for release N of it, a release file, or N alone for a release of the other
    one's schema. A schema alone is compared with its last release, a release alone with the one
    before it. Exit code 1: units made with OLD cannot go on with the firmware of NEW; "verdict" of
    the JSON says why.
    """
    from paramstore.releases.changes import Verdict
    from paramstore.releases.versions import compare_versions, find_former, find_version
    from paramstore.report.changes import change_lines, changes_data
    from paramstore.report.findings import findings_data

    if new is None:
        after = find_version(old)
        before = find_former(after, old)
    else:
        before, after = find_version(old, beside=new), find_version(new, beside=old)
    found = compare_versions(before, after)
    if as_json:
        say_json(findings_data(found.findings) | {
            "old": before.name, "new": after.name, "verdict": found.verdict.value,
            "changes": changes_data(found.changes),
        })
    else:
        show_findings(found.findings, err=False)
        for line in change_lines(found.changes, tint_verdict):
            say(line)
        what = found.verdict.value if found.changes or found.findings else "nothing changed"
        say(f"{before.name} to {after.name}: " + tint_verdict(what, found.verdict))
    ctx.exit(1 if found.verdict in (Verdict.RELAYOUT, Verdict.REFUSED) else 0)
