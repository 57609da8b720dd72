"""A Chromium without a window, driven over a pipe: the DevTools protocol, and nothing else.

Chromium reads commands from descriptor 3 and writes answers and events to descriptor 4, each a JSON
object ended by a zero byte (`--remote-debugging-pipe`).
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

__all__ = ["PAPERS", "Page", "chromium_path", "open_browser"]

PAPERS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}
"""Width and height in inches (ISO 216 and ANSI Y14.1, from memory)."""

_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")


def chromium_path() -> str | None:
    """Return a Chromium or Chrome of this computer; CHROMIUM in the environment goes first."""
    named = os.environ.get("CHROMIUM")
    return named or next(filter(None, map(shutil.which, _NAMES)), None)


class Page:
    """One tab. `events` collects what happened, as (method, parameters)."""

    def __init__(self, browser: _Pipe, session: str) -> None:
        self._browser, self._session = browser, session
        self.events: list[tuple[str, dict[str, Any]]] = browser.events

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Return the answer to a command; RuntimeError if it is refused."""
        return self._browser.call(method, parameters, self._session)

    def ask(self, expression: str) -> Any:
        """Return the value of a JavaScript expression, after what it promises."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True,
                           awaitPromise=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(json.dumps(answer["exceptionDetails"])[:2000])
        return answer["result"].get("value")

    def open(self, path: Path) -> None:
        """Open a file and wait until it is loaded and painted."""
        self.call("Page.navigate", url=path.resolve().as_uri())
        self._browser.wait("Page.loadEventFired")
        self.ask("new Promise(r => requestAnimationFrame(() => setTimeout(r, 0)))")

    def look(self, *, width: int = 1280, height: int = 900, dark: bool = False,
             touch: bool = False) -> None:
        """Set the size of the screen and the colour scheme."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height,
                  deviceScaleFactor=1, mobile=touch)
        self.call("Emulation.setEmulatedMedia", features=[
            {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}])

    def key(self, name: str, modifiers: int = 0) -> None:
        """Press and release a key, such as `Tab` or `ArrowRight`."""
        codes = {"Tab": 9, "Enter": 13, "Escape": 27, " ": 32, "End": 35, "Home": 36,
                 "ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40}
        for kind in ("rawKeyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=name, code=name,
                      windowsVirtualKeyCode=codes[name], modifiers=modifiers)

    def point(self, x: float, y: float, click: bool = False) -> None:
        """Move the mouse to a place in the window; press its button if asked to."""
        self.call("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)
        if click:
            for kind in ("mousePressed", "mouseReleased"):
                self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left",
                          clickCount=1)

    def picture(self, path: Path, clip: tuple[float, float, float, float] | None = None) -> None:
        """Write what is seen, or the rectangle (x, y, width, height) of the page, as PNG."""
        more: dict[str, Any] = {}
        if clip is not None:
            x, y, width, height = clip
            more = {"captureBeyondViewport": True, "clip": {
                "x": x, "y": y, "width": width, "height": height, "scale": 1}}
        answer = self.call("Page.captureScreenshot", format="png", **more)
        path.write_bytes(base64.b64decode(answer["data"]))

    def paper(self, path: Path) -> None:
        """Write the page as it prints on A4, as PDF."""
        path.write_bytes(self.print(*PAPERS["A4"]))

    def print(self, width: float, height: float) -> bytes:
        """Return the page as it prints on paper of so many inches, as PDF."""
        answer = self.call("Page.printToPDF", printBackground=False, preferCSSPageSize=True,
                           paperWidth=width, paperHeight=height)
        return base64.b64decode(answer["data"])


class _Pipe:
    """The two ends of the pipe, and the events that came between answers."""

    def __init__(self, commands: int, answers: int) -> None:
        self._commands, self._answers = commands, answers
        self._rest = b""
        self._last = 0
        self.events: list[tuple[str, dict[str, Any]]] = []
        self._told = 0

    def call(self, method: str, parameters: dict[str, Any], session: str = "") -> dict[str, Any]:
        self._last += 1
        message: dict[str, Any] = {"id": self._last, "method": method, "params": parameters}
        if session:
            message["sessionId"] = session
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self._commands, data):]
        self._told = len(self.events)
        while True:
            answer = self._next()
            if answer.get("id") == self._last:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']['message']}")
                result: dict[str, Any] = answer["result"]
                return result

    def wait(self, event: str) -> None:
        """Wait for an event that came since the last command was sent, or comes now."""
        while event not in {method for method, _ in self.events[self._told:]}:
            self._next()

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            part = os.read(self._answers, 1 << 20)
            if not part:
                raise RuntimeError("the browser has gone")
            self._rest += part
        line, _, self._rest = self._rest.partition(b"\0")
        message: dict[str, Any] = json.loads(line)
        if "method" in message:
            self.events.append((message["method"], message.get("params", {})))
        return message


@contextlib.contextmanager
def open_browser(path: str) -> Iterator[Page]:
    """Start a browser with one empty tab that reports console, network and page; end it after."""
    ours_in, theirs_out = os.pipe()
    theirs_in, ours_out = os.pipe()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        # The shell puts the two ends where Chromium looks for them.
        process = subprocess.Popen(
            ["sh", "-c", f'exec "$@" 3<&{theirs_in} 4>&{theirs_out}', "sh", path, "--headless=new",
             "--remote-debugging-pipe", "--no-sandbox", "--no-first-run", "--disable-gpu",
             "--hide-scrollbars", f"--user-data-dir={profile}", "about:blank"],
            pass_fds=(theirs_in, theirs_out), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        os.close(theirs_in)
        os.close(theirs_out)
        try:
            pipe = _Pipe(ours_out, ours_in)
            targets = pipe.call("Target.getTargets", {})["targetInfos"]
            target = next(t["targetId"] for t in targets if t["type"] == "page")
            session = pipe.call("Target.attachToTarget", {"targetId": target, "flatten": True})
            page = Page(pipe, session["sessionId"])
            for domain in ("Page", "Runtime", "Network", "Log"):
                page.call(f"{domain}.enable")
            yield page
            with contextlib.suppress(RuntimeError):
                pipe.call("Browser.close", {})
        finally:
            os.close(ours_out)
            os.close(ours_in)
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
