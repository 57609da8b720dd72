"""The pages in a real browser: console, requests, light by mouse and keys, access, times.

    python -m tests.programs.browser_check [--times] [--axe AXE.JS] [--pictures FOLDER] [PAGE ...]

Makes the pages of the examples (plans, dumps of a used unit and of a full 128 KB part, campaigns
of a sound and of a broken runtime), opens each in a Chromium without a window, in both colour
schemes, wide and narrow, and prints what it finds; exit code 1 if anything is wrong. The record of
a calibration must print on one sheet. Pages given by name are checked instead. With the engine
axe-core (from npm) its rules of access are checked too: as AXE.JS, or from `node_modules/axe-core`
here. `--pictures` keeps a picture of each page, and what it prints as. Times are printed; with
`--times` those that are too long are wrong, which holds where nothing else runs.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from tests.programs.browser import PAPERS, Page, chromium_path, open_browser

ROOT = Path(__file__).parents[2]
LOOKS = {"light": (1280, False), "dark": (1280, True), "narrow": (390, False),
         "narrow dark": (390, True)}
ALL_PAINTED = """document.querySelectorAll("article, .block, details").forEach(
  (e) => { e.style.contentVisibility = "visible"; e.open = true })"""
MOST_OPEN_MS, MOST_SCROLL_MS = 1500, 100
"""Until a page is open and painted, and the longest frame while it is scrolled through: generous,
for slow computers."""


def samples(folder: Path) -> Iterator[Path]:
    """Write the pages of the examples; yield their paths."""
    from paramstore.report.pages.cuts import campaign_page
    from paramstore.report.pages.dump import dump_page
    from paramstore.report.pages.plan import plan_page
    from tests.report.campaigns import broken, sound
    from tests.report.pages.samples import (
        edid_page,
        examined,
        example,
        full_rack,
        layout_of_edid,
        many_findings,
        used_probe,
    )

    pages: dict[str, Callable[[], str]] = {
        "plan minimal": lambda: plan_page(example("minimal")),
        "plan tank_probe": lambda: plan_page(example("tank_probe")),
        "plan 128 KB": lambda: plan_page(example("large")),
        "dump tank_probe": lambda: dump_page(examined(example("tank_probe"), used_probe())),
        "dump many findings": lambda: dump_page(examined(example("tank_probe"), many_findings())),
        "dump foreign": lambda: dump_page(examined(example("tank_probe"), bytes(range(256)) * 16)),
        "plan fixed": layout_of_edid,
        "dump fixed": edid_page,
        "dump far away": lambda: dump_page(examined(
            example("tank_probe"), used_probe(), "/".join(["a_folder_with_a_long_name"] * 9))),
        "prove minimal": lambda: campaign_page(sound()),
        "prove broken": lambda: campaign_page(broken()),
        "dump 128 KB": lambda: dump_page(examined(example("large"), full_rack())),
    }
    for name, make in pages.items():
        path = folder / f"{name.replace(' ', '_')}.html"
        path.write_text(make(), "utf-8")
        yield path


def records(folder: Path) -> Iterator[Path]:
    """Write the records of the shipped calibrations; yield their paths."""
    from paramstore.report.calibration_record import calibration_record_html
    from paramstore.schema.reader import load_schema
    from tests.report.test_calibration import SCHEMAS, shipped

    schema, _ = load_schema(SCHEMAS / "tank_probe.toml")
    for name in ("electrode", "thermistor", "conductivity"):
        outcome = shipped(name)
        path = folder / f"record_{name}.html"
        path.write_text(calibration_record_html(outcome, outcome.units[0], schema), "utf-8")
        yield path


def more_than_a_sheet(page: Page, path: Path) -> Iterator[str]:
    """Yield the papers that a page does not fit on."""
    page.open(path)
    for name, size in PAPERS.items():
        sheets = len(re.findall(rb"/Type\s*/Page\b", page.print(*size)))
        if sheets != 1:
            yield f"{sheets} sheets of {name}"


def wrong_with(page: Page, path: Path, axe: str | None, times: bool) -> Iterator[str]:
    """Yield what is wrong with a page, and print its times; judge them as well if `times`."""
    for look, (width, dark) in LOOKS.items():
        page.look(width=width, dark=dark, touch=False)
        begun = len(page.events)
        opened = _quickest(lambda: _open_ms(page, path), MOST_OPEN_MS)
        frame = _quickest(lambda: _longest_frame(page), MOST_SCROLL_MS)
        print(f"  {look:11}  open {opened:5.0f} ms   longest frame while scrolling {frame:4.0f} ms")
        if times and opened > MOST_OPEN_MS:
            yield f"{look}: opening took {opened:.0f} ms"
        if times and frame > MOST_SCROLL_MS:
            yield f"{look}: a frame took {frame:.0f} ms"
        yield from (f"{look}: {w}" for w in _told(page.events[begun:], path))
        if page.ask("document.documentElement.scrollWidth > innerWidth"):
            yield f"{look}: the page is wider than the screen"
        yield from (f"{look}: {w}" for w in _first_screen(page))
        yield from (f"{look}: {w}" for w in _sideways(page))
        if axe is not None:
            yield from (f"{look}: {w}" for w in _access(page, axe))
    page.look()
    page.open(path)
    yield from _skip_link(page)
    yield from _light_by_mouse(page)
    yield from _light_by_link(page)
    yield from _light_by_keys(page)


def _quickest(measure: Callable[[], float], enough: float) -> float:
    """Return the least of up to three measurements: others may use this computer too."""
    best = measure()
    for _ in range(2):
        if best <= enough:
            break
        best = min(best, measure())
    return best


def _open_ms(page: Page, path: Path) -> float:
    start = time.perf_counter()
    page.open(path)
    return 1000 * (time.perf_counter() - start)


def _told(events: list[tuple[str, dict[str, Any]]], path: Path) -> Iterator[str]:
    """Yield messages of the console, and requests for anything but the page itself."""
    for method, facts in events:
        if method in ("Log.entryAdded", "Runtime.exceptionThrown", "Runtime.consoleAPICalled"):
            yield f"console: {json.dumps(facts)[:300]}"
        elif method == "Network.requestWillBeSent":
            url = facts["request"]["url"]
            if url != path.resolve().as_uri() and not url.startswith("data:"):
                yield f"request: {url}"


def _longest_frame(page: Page) -> float:
    """Scroll through a page, at most 60 screens of it; return the longest frame in ms."""
    return float(page.ask("""(async () => {
      const frame = () => new Promise(requestAnimationFrame);
      document.documentElement.style.scrollBehavior = "auto";
      const end = document.documentElement.scrollHeight, step = Math.max(innerHeight, end / 60);
      let longest = 0;
      await frame();
      for (let y = 0; y < end; y += step) {
        const start = performance.now();
        scrollTo(0, y);
        await frame(); await frame();
        longest = Math.max(longest, (performance.now() - start) / 2);
      }
      scrollTo(0, 0);
      await frame();
      return longest;
    })()"""))


def _first_screen(page: Page) -> Iterator[str]:
    """Yield that the map of a dump begins below the first screen, however much was found."""
    page.ask("scrollTo(0, 0)")
    below = page.ask("""(() => {
      const row = document.querySelector("#map .strip .row");
      if (!row || !document.querySelector(".verdict")) return 0;
      return Math.max(0, row.getBoundingClientRect().bottom - innerHeight);
    })()""")
    if below:
        yield f"the map begins {below:.0f} pixels below the first screen"


def _sideways(page: Page) -> Iterator[str]:
    """Yield tables that go on beyond their place without a word, or say so when they end."""
    page.ask(ALL_PAINTED)
    page.ask("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
             ".then(() => 0)")
    for wanted in (True, False):
        found = page.ask(f"({_UNTOLD})({json.dumps(wanted)})")
        for caption in found[:3]:
            yield f"the table `{caption}` " + (
                "does not say that it goes on" if wanted else "says so at its end")


_UNTOLD = """async (more) => {
  const wide = [...document.querySelectorAll(".wide")];
  if (!more) for (const box of wide) box.scrollLeft = box.scrollWidth;
  await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
  return wide.filter((box) => box.scrollWidth - box.clientWidth > 4 && more !== (
    getComputedStyle(box.querySelector("caption"), "::after").content.includes("right")
  )).map((box) => box.querySelector("caption").textContent.trim());
}"""


def _access(page: Page, axe: str) -> Iterator[str]:
    """Yield the rules of axe-core that a page breaks, all of WCAG 2 A and AA and good practice."""
    page.ask(axe + "; 0")
    # What is out of view or folded away is not painted, and cannot be judged.
    page.ask(ALL_PAINTED)
    found = page.ask("axe.run({resultTypes: ['violations']}).then(r => r.violations.map("
                     "v => [v.id, v.nodes.length, v.nodes[0].html.slice(0, 160), "
                     "v.nodes[0].failureSummary.slice(0, 200)]))")
    for rule, count, first, summary in found:
        yield f"access: {rule}, {count} times, first {first} {' '.join(summary.split())}"


_LIT = "[...new Set([...document.querySelectorAll('.lit')].map(e => e.tagName))].sort().join(' ')"


def _light_by_mouse(page: Page) -> Iterator[str]:
    """Point at a byte or bead that belongs to a row of a table: both must light up."""
    what = page.ask("""(async () => {
      const frame = () => new Promise(requestAnimationFrame);
      const row = document.querySelector("tr[data-k]");
      if (!row) return null;
      const key = row.dataset.k.split(" ")[0];
      const e = [...document.querySelectorAll(`[data-k="${key}"]`)].find((e) => e !== row);
      document.documentElement.style.scrollBehavior = "auto";
      for (let i = 0; i < 3; i++) {  // what comes into view is painted, and moves the rest
        e.scrollIntoView({block: "center"});
        await frame(); await frame();
      }
      const r = e.getBoundingClientRect();
      return [r.left + 8, r.top + r.height / 2, e.tagName];
    })()""")
    if what is None:
        return
    x, y, tag = what
    page.point(x, y)
    lit = str(page.ask(_LIT)).split()
    if tag not in lit or "TR" not in lit:
        yield f"mouse: pointing at {tag} lights {lit}"
    if tag == "I" and not page.ask("!document.getElementById('tell').hidden && "
                                   "document.querySelectorAll('b.at').length === 1"):
        yield "mouse: the byte itself is not told"
    page.point(1, 1)
    if page.ask(_LIT):
        yield "mouse: the light stays"


def _light_by_link(page: Page) -> Iterator[str]:
    """Focus the link of a parameter: its bytes must light up, and stay so when the page scrolls
    under a mouse at rest; following it must end at what it names."""
    if not page.ask("!!document.querySelector('tr[data-k] a')"):
        return
    page.ask("document.querySelector('tr[data-k] a').focus()")
    page.ask("scrollBy(0, 300)")
    page.point(2, 2)
    if page.ask(_LIT) and "I" in str(page.ask(_LIT)).split():
        page.key("Enter")
        if not page.ask("!!document.getElementById(location.hash.slice(1))"):
            yield "link: it leads nowhere"
    else:
        yield f"link: focus lights {page.ask(_LIT)}"
    page.ask("document.activeElement.blur()")


def _light_by_keys(page: Page) -> Iterator[str]:
    """Tab to the first map or slot, move by arrows, hold by Enter, let go by Escape."""
    if not page.ask("!!document.querySelector('[data-roam]')"):
        return
    page.ask("""(() => {
      const first = document.querySelector("[data-roam] [tabindex='0']");
      first.scrollIntoView({block: "center"}); first.focus();
    })()""")
    seen = []
    for key in ("ArrowRight", "ArrowRight", "ArrowDown", "ArrowUp", "Home", "End", "Home"):
        page.key(key)
        seen.append(page.ask("document.activeElement.getAttribute('aria-label') || ''"))
        if not page.ask("document.activeElement.closest('[data-k]') && "
                        "document.querySelectorAll('.lit').length > 0"):
            yield f"keys: {key} lights nothing"
        if page.ask("document.querySelectorAll('[data-roam]')[0]"
                    ".querySelectorAll(\"[tabindex='0']\").length") != 1:
            yield f"keys: not one stop for Tab after {key}"
    if seen[0] == seen[1] or seen[5] == seen[6] or "" in seen:
        yield f"keys: the arrows do not move, or to nothing with a name: {seen}"
    outline = page.ask("getComputedStyle(document.activeElement).outlineStyle")
    if outline == "none":
        yield "keys: the focus cannot be seen"
    page.key("Enter")
    if page.ask("document.activeElement.getAttribute('aria-pressed')") != "true":
        yield "keys: Enter does not hold the light"
    page.ask("document.activeElement.blur()")
    if not page.ask(_LIT):
        yield "keys: held light goes out"
    page.ask("document.querySelector('.held').focus()")
    page.key("Escape")
    if page.ask(_LIT):
        yield "keys: Escape does not let go"


def _skip_link(page: Page) -> Iterator[str]:
    page.key("Tab")
    if page.ask("document.activeElement.className") != "skip":
        yield "keys: the first stop of Tab is not the link past the menu"


def keep_pictures(page: Page, path: Path, folder: Path) -> None:
    """Write pictures of a whole page in every look, and what it prints as."""
    for look, (width, dark) in LOOKS.items():
        page.look(width=width, dark=dark)
        page.open(path)
        page.ask(ALL_PAINTED)
        height = min(16_000, page.ask("document.documentElement.scrollHeight"))
        page.look(width=width, height=height, dark=dark)
        page.picture(folder / f"{path.stem}_{look.replace(' ', '_')}.png")
    page.look()
    page.open(path)
    page.paper(folder / f"{path.stem}.pdf")


def main() -> int:
    """Check the pages; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("pages", nargs="*", type=Path, metavar="PAGE.html")
    parser.add_argument("--axe", type=Path, metavar="AXE.JS",
                        default=ROOT / "node_modules/axe-core/axe.min.js")
    parser.add_argument("--pictures", type=Path, metavar="FOLDER")
    parser.add_argument("--times", action="store_true", help="times that are too long are wrong")
    options = parser.parse_args()
    browser = chromium_path()
    if browser is None:
        print("no Chromium here; name one in CHROMIUM", file=sys.stderr)
        return 2
    axe = options.axe.read_text("utf-8") if options.axe.exists() else None
    if axe is None:
        print("axe-core is not here: its rules are not checked", file=sys.stderr)
    count = 0
    with tempfile.TemporaryDirectory() as folder, open_browser(browser) as page:
        for path in options.pages or samples(Path(folder)):
            print(f"{path.name}: {path.stat().st_size:,} bytes")
            for wrong in wrong_with(page, path, axe, options.times):
                print(f"  WRONG {wrong}")
                count += 1
            if options.pictures:
                options.pictures.mkdir(parents=True, exist_ok=True)
                keep_pictures(page, path, options.pictures)
        for path in () if options.pages else records(Path(folder)):
            print(f"{path.name}: {path.stat().st_size:,} bytes")
            for wrong in more_than_a_sheet(page, path):
                print(f"  WRONG {wrong}")
                count += 1
    print(f"{count} things are wrong" if count else "nothing is wrong")
    return 1 if count else 0


if __name__ == "__main__":
    sys.exit(main())
