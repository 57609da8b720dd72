"""The reports on a dump, of a store or of a fixed layout: text, data for JSON, page, picture."""

from __future__ import annotations

from paramstore.core.errors import ToolError
from paramstore.core.text import JsonObject, printable
from paramstore.inspect.examination import Examination
from paramstore.inspect.store import StoreExamination
from paramstore.report.findings import Style, no_style

__all__ = ["examination_data", "examination_page", "examination_svg", "examination_text"]

# Each report is imported when it is wanted: reading a dump must not wait for the others.


def examination_text(found: Examination, style: Style = no_style) -> str:
    """Return the whole report on a dump, findings left out, lines ended by \\n."""
    head = (f"{printable(found.reading.source.path)}: {found.reading.title}\n"
            f"schema: {printable(found.name)}\n")
    if isinstance(found, StoreExamination):
        from paramstore.report.dump import dump_text

        return head + dump_text(found, style)
    from paramstore.inspect.fixed import FixedExamination
    from paramstore.report.fixed import fixed_text

    assert isinstance(found, FixedExamination), "there are two readers"
    return head + fixed_text(found, style)


def examination_data(found: Examination) -> JsonObject:
    """Return the same as plain data for JSON."""
    head: JsonObject = {
        "schema": found.name, "form": found.reading.form, "read_as": found.reading.title,
        "gaps": [list(gap) for gap in found.dump.gaps]}
    if isinstance(found, StoreExamination):
        from paramstore.report.dump import dump_data

        return head | dump_data(found)
    from paramstore.inspect.fixed import FixedExamination
    from paramstore.report.fixed import fixed_data

    assert isinstance(found, FixedExamination), "there are two readers"
    return head | fixed_data(found)


def examination_page(found: Examination) -> str:
    """Return the report as a whole HTML page."""
    if isinstance(found, StoreExamination):
        from paramstore.report.pages.dump import dump_page

        return dump_page(found)
    from paramstore.inspect.fixed import FixedExamination
    from paramstore.report.pages.fixed import fixed_page

    assert isinstance(found, FixedExamination), "there are two readers"
    return fixed_page(found)


def examination_svg(found: Examination) -> str:
    """Return the page map of a dump as a picture; ToolError if it is of a fixed layout, which has
    no pages."""
    if not isinstance(found, StoreExamination):
        raise ToolError("a fixed layout has no page map", "use --html: it has a map of bytes")
    from paramstore.report.pictures import dump_svg

    return dump_svg(found)
