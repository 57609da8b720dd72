"""What the browser check makes and notices, without a browser."""

from __future__ import annotations

from pathlib import Path

from tests.programs.browser_check import _quickest, _told, records, samples
from tests.report.pages.markup import Markup, faults


def test_samples_are_sound_pages(tmp_path: Path) -> None:
    """The check has a plan and a dump of a small and of a 128 KB part and campaigns, well
    formed all of them."""
    pages = {path.stem: path.read_text("utf-8") for path in samples(tmp_path)}
    assert {"plan_128_KB", "plan_tank_probe", "dump_128_KB", "dump_tank_probe",
            "prove_minimal", "prove_broken"} <= set(pages)
    assert {name: [] for name in pages} == {name: faults(page) for name, page in pages.items()}


def test_records_of_the_shipped_calibrations_are_among_them(tmp_path: Path) -> None:
    """Well formed, and with a table of up to 18 points."""
    pages = {path.stem: path.read_text("utf-8") for path in records(tmp_path)}
    assert {"record_electrode", "record_thermistor", "record_conductivity"} == set(pages)
    assert {name: [] for name in pages} == {n: Markup(page).unclosed for n, page in pages.items()}
    assert 18 == pages["record_conductivity"].count('<tr><td class="number">')


def test_messages_and_requests_are_noticed(tmp_path: Path) -> None:
    """A console message and a request are wrong; the page itself and its own icon are not."""
    own = tmp_path / "page.html"
    assert [] == list(_told([
        ("Network.requestWillBeSent", {"request": {"url": own.resolve().as_uri()}}),
        ("Network.requestWillBeSent", {"request": {"url": "data:image/svg+xml,x"}}),
        ("Page.loadEventFired", {})], own))
    assert ["console: {}", "request: http://example.org/"] == list(_told([
        ("Log.entryAdded", {}),
        ("Network.requestWillBeSent", {"request": {"url": "http://example.org/"}})], own))


def test_the_quickest_of_three_counts() -> None:
    """One slow measurement is repeated; a quick one is enough."""
    times = iter((9.0, 5.0, 7.0))
    assert 5.0 == _quickest(lambda: next(times), 1.0)
    assert 0.5 == _quickest(iter((0.5,)).__next__, 1.0)
