"""What the tables say of earlier releases: migrations, their functions, rings that are only read.

Knows plans and C names; knows no release file.
"""

from __future__ import annotations

from paramstore.core.format import LAST_RELEASE, release_number
from paramstore.firmware.converters import converter_lines, source_words
from paramstore.firmware.names import Names
from paramstore.firmware.rows import Bytes, Converter, GroupView, MigrationRow, RetiredRow
from paramstore.firmware.spelling import comment_text, hex_bytes
from paramstore.layout.plan import Plan
from paramstore.layout.raw_conversion import Conversion
from paramstore.record import crc_start, release_bytes

__all__ = ["converters_of", "earlier_label_rows", "later_releases", "migration_rows",
           "retired_rows"]


def earlier_label_rows(plan: Plan) -> tuple[Bytes, ...]:
    """Return what the labels of earlier releases say: release, store id and layout id."""
    return tuple(
        Bytes(f"release {release}", tuple(hex_bytes(release_bytes(plan, release, layout_id))))
        for release, layout_id in plan.migratable)


def later_releases(plan: Plan) -> tuple[int, int]:
    """Return between which numbers the label of a later release lies: above the first, up to the
    second. A layout that was not released has no later ones."""
    if not plan.release:
        return 0xFFFF, 0
    return (release_number(plan.release, plan.series), release_number(LAST_RELEASE, plan.series))


def retired_rows(plan: Plan) -> tuple[RetiredRow, ...]:
    """Return the retired groups that values may still come from."""
    return tuple(
        RetiredRow(len(plan.rings) + i, ring, crc_start(plan, ring))
        for i, ring in enumerate(plan.retired_sources))


def converters_of(names: Names, plan: Plan) -> dict[Conversion, Converter]:
    """Return a function for every conversion that is more than a copy; equal ones share one."""
    found: dict[Conversion, Converter] = {}
    for migration in plan.migrations:
        conversion = migration.conversion
        if conversion.rule is not None and conversion not in found:
            words = source_words(conversion)
            found[conversion] = Converter(
                names.claim(f"convert_{len(found)}", f"a conversion from {words}"),
                comment_text(words), tuple(converter_lines(conversion)))
    return found


def migration_rows(plan: Plan, groups: tuple[GroupView, ...], retired: tuple[RetiredRow, ...],
              converters: dict[Conversion, Converter]) -> tuple[MigrationRow, ...]:
    """Return the rows of migrations in the order of the field table, the latest place first."""
    views = {view.ring.group.id: view for view in groups}
    sources = {i: view.index for i, view in views.items()}
    sources |= {row.ring.group.id: f"{row.number}u" for row in retired}
    names = {ring.group.id: ring.group.name for ring in (*plan.rings, *plan.retired)}
    rows = []
    for at, migration in enumerate(plan.migrations):
        view = views[migration.group]
        parameter, shown, index = next(
            (p, v, i) for p, v in zip(view.ring.group.parameters, view.parameters, strict=True)
            for i, f in enumerate(p.fields) if f.name == migration.field)
        converter = converters.get(migration.conversion)
        family = [f.name for f in parameter.fields]
        following = [m.field for m in plan.migrations[at + 1:] if m.group == migration.group]
        rows.append(MigrationRow(
            comment_text(f"{view.name}.{migration.field} from byte {migration.offset} of "
                         f"{names[migration.source]}"),
            converter.name if converter else "NULL", shown.fields[index].index, migration.offset,
            migration.count, migration.conversion.from_scalar.size, migration.since,
            sources[migration.source],
            migration.source_since, min(migration.source_until - migration.source_since, 0xFF),
            following.count(migration.field), sum(name in family for name in following)))
    return tuple(rows)
