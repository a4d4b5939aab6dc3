"""A headless Chromium driven over its DevTools pipe: enough to open a page, act on it and see what it did."""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
    "--remote-debugging-pipe",
)
#: The browser reads commands from descriptor 3 and writes to 4; a child of its own puts the two pipes there.
_LAUNCH = (
    "import fcntl, os, sys; r, w = (fcntl.fcntl(int(n), fcntl.F_DUPFD, 20) for n in sys.argv[1:3]); "
    "os.dup2(r, 3); os.dup2(w, 4); os.execvp(sys.argv[3], sys.argv[3:])"
)


def find() -> str | None:
    """Return the path of a Chromium, or None."""
    return next((path for name in NAMES if (path := shutil.which(name))), None)


class Browser:
    """One page. Use as a context manager; `console` and `requests` collect what the page said and asked for."""

    def __init__(self, program: str) -> None:
        self.console: list[str] = []
        self.requests: list[str] = []
        self._buffer, self._count = b"", 0
        self._profile = tempfile.mkdtemp(prefix="browser-")
        read_end, self._to = os.pipe()
        self._from, write_end = os.pipe()
        command = [program, *_FLAGS, f"--user-data-dir={self._profile}", "about:blank"]
        self._process = subprocess.Popen(
            [sys.executable, "-c", _LAUNCH, str(read_end), str(write_end), *command],
            pass_fds=(read_end, write_end),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(read_end)
        os.close(write_end)
        self._session: str | None = None
        target = next(t for t in self.call("Target.getTargets")["targetInfos"] if t["type"] == "page")
        self._session = self.call("Target.attachToTarget", targetId=target["targetId"], flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def __enter__(self) -> Browser:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._session = None
            self.call("Browser.close")
        except (OSError, TimeoutError):
            self._process.kill()
        self._process.wait(timeout=20)
        os.close(self._to)
        os.close(self._from)
        shutil.rmtree(self._profile, ignore_errors=True)

    def call(self, method: str, **params: Any) -> Any:
        """Send one command and return its result."""
        self._count += 1
        number = self._count
        message: dict[str, Any] = {"id": number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        end = time.monotonic() + 40
        while time.monotonic() < end:
            answer = self._next(end)
            if answer.get("id") == number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']['message']}")
                return answer["result"]
        raise TimeoutError(method)

    def _next(self, end: float) -> dict[str, Any]:
        """Return the next message, noting what the page did meanwhile."""
        while b"\0" not in self._buffer:
            if not select.select([self._from], [], [], max(end - time.monotonic(), 0.01))[0]:
                raise TimeoutError("the browser gave no answer")
            part = os.read(self._from, 1 << 20)
            if not part:
                raise OSError("the browser ended")
            self._buffer += part
        raw, _, self._buffer = self._buffer.partition(b"\0")
        message: dict[str, Any] = json.loads(raw)
        self._note(message.get("method", ""), message.get("params", {}))
        return message

    def _note(self, method: str, params: dict[str, Any]) -> None:
        """Keep console errors, uncaught exceptions and requests."""
        if method == "Runtime.exceptionThrown":
            self.console.append(json.dumps(params["exceptionDetails"])[:500])
        elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning", "assert"):
            self.console.append(json.dumps(params["args"])[:500])
        elif method == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
            self.console.append(params["entry"]["text"])
        elif method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])

    def size(self, width: int, height: int) -> None:
        """Set the size of the window [px]."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)

    def media(self, *, medium: str = "", dark: bool = False) -> None:
        """Show the page as `medium` (print or screen), light or dark."""
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", media=medium, features=[scheme])

    def open(self, path: Path) -> None:
        """Open a file and wait until its linked view stands, or the page says it has none."""
        self.call("Page.navigate", url=path.resolve().as_uri())
        self.wait(
            "document.readyState === 'complete' && "
            "(document.documentElement.dataset.linked === 'ready' || !document.getElementById('linked'))"
        )

    def wait(self, expression: str, *, at_most_s: float = 20.0) -> None:
        """Wait until `expression` is true in the page."""
        end = time.monotonic() + at_most_s
        while not self.run(expression):
            if time.monotonic() > end:
                raise TimeoutError(f"never true: {expression}; console: {self.console}")
            time.sleep(0.05)

    def run(self, expression: str) -> Any:
        """Return the value of `expression` in the page."""
        out = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in out:
            raise RuntimeError(json.dumps(out["exceptionDetails"])[:800])
        return out["result"].get("value")

    def mouse(self, kind: str, x: float, y: float, *, buttons: int = 0) -> None:
        """Send one event of the pointer at a place of the window [px]."""
        self.call(
            "Input.dispatchMouseEvent",
            type=kind,
            x=x,
            y=y,
            buttons=buttons,
            clickCount=1 if kind != "mouseMoved" else 0,
            button="left" if buttons or kind == "mouseReleased" else "none",
            pointerType="mouse",
        )

    def key(self, name: str) -> None:
        """Press one key."""
        codes = {"Tab": 9, "Enter": 13, "ArrowRight": 39, "ArrowLeft": 37}
        text = {"text": "\r"} if name == "Enter" else {}
        self.call(
            "Input.dispatchKeyEvent", type="keyDown", key=name, code=name, windowsVirtualKeyCode=codes[name], **text
        )
        self.call("Input.dispatchKeyEvent", type="keyUp", key=name, code=name, windowsVirtualKeyCode=codes[name])

    def picture(self, path: Path, *, whole: bool = False) -> None:
        """Save a screenshot."""
        raw = self.call("Page.captureScreenshot", captureBeyondViewport=whole)["data"]
        path.write_bytes(base64.b64decode(raw))

    def print_pdf(self) -> bytes:
        """Return the page as it prints."""
        out = self.call("Page.printToPDF", preferCSSPageSize=True, printBackground=True)
        return base64.b64decode(out["data"])
