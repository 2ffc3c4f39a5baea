"""A headless Chromium for tests of pages: the DevTools protocol over pipes, nothing to install.

Messages are JSON, each ended by a zero byte; Chromium reads them from file descriptor 3 and writes
to 4 with --remote-debugging-pipe (Chrome DevTools Protocol, tip of tree).
"""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path

CHROMIUM = next(
    (p for p in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if p), None
)


# Puts the pipes where Chromium looks for them, then becomes Chromium.
LAUNCH = """
import fcntl, os, sys
high = [fcntl.fcntl(int(n), fcntl.F_DUPFD, 10) for n in sys.argv[1:3]]
for fd, place in zip(high, (3, 4)):
    os.dup2(fd, place)
os.execv(sys.argv[3], sys.argv[3:])
"""


class Browser:
    """One page. Use as a context manager; `events` are all that were told so far."""

    def __init__(self, profile: Path) -> None:
        assert CHROMIUM
        self.events: list[dict] = []
        self.number = 0
        self.rest = b""
        read_there, self.write = os.pipe()
        self.read, write_there = os.pipe()
        self.process = subprocess.Popen(
            [sys.executable, "-c", LAUNCH, str(read_there), str(write_there), CHROMIUM,
             "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync",
             "--disable-background-networking", "--disable-component-update", "--disable-quic",
             f"--user-data-dir={profile}", "--remote-debugging-pipe", "about:blank"],
            pass_fds=(read_there, write_there), stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(read_there)
        os.close(write_there)
        self.session: str | None = None
        targets = self.call("Target.getTargets")["targetInfos"]
        page = next(t["targetId"] for t in targets if t["type"] == "page")
        attached = self.call("Target.attachToTarget", targetId=page, flatten=True)
        self.session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        os.close(self.write)
        os.close(self.read)

    def _next(self, until: float) -> dict:
        while b"\0" not in self.rest:
            ready, _, _ = select.select([self.read], [], [], max(0.0, until - time.monotonic()))
            if not ready:
                raise TimeoutError("the browser says nothing")
            more = os.read(self.read, 1 << 20)
            if not more:
                raise EOFError("the browser has gone")
            self.rest += more
        text, _, self.rest = self.rest.partition(b"\0")
        return json.loads(text)

    def call(self, method: str, **params: object) -> dict:
        """Send a command and return its result."""
        self.number += 1
        message: dict = {"id": self.number, "method": method, "params": params}
        if self.session:
            message["sessionId"] = self.session
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self.write, data) :]
        until = time.monotonic() + 60
        while True:
            answer = self._next(until)
            if answer.get("id") == self.number:
                assert "error" not in answer, answer["error"]
                return answer["result"]
            self.events.append(answer)

    def open(self, page: Path, width: int = 1200, height: int = 900, dark: bool = False) -> None:
        """Show a file in a window of this size and theme, and wait until it is there."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=width < 600,
        )  # fmt: skip
        theme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", features=[theme])
        self.events.clear()
        self.call("Page.navigate", url=page.as_uri())
        until = time.monotonic() + 60
        while not any(e.get("method") == "Page.loadEventFired" for e in self.events):
            self.events.append(self._next(until))

    def run(self, script: str) -> object:
        """The value of an expression in the page; an exception there fails the test."""
        answer = self.call(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def mouse(self, kind: str, x: float, y: float, pressed: bool = False) -> None:
        """Move, press or release the mouse at a place of the window."""
        self.call(
            "Input.dispatchMouseEvent", type=f"mouse{kind}", x=x, y=y,
            button="left" if pressed or kind != "Moved" else "none",
            buttons=int(pressed), clickCount=int(kind != "Moved"), pointerType="mouse",
        )  # fmt: skip

    def key(self, name: str, code: int) -> None:
        """Press a key, such as ("ArrowRight", 39)."""
        for kind in ("rawKeyDown", "keyUp"):
            self.call(
                "Input.dispatchKeyEvent", type=kind, key=name, code=name,
                windowsVirtualKeyCode=code,
            )  # fmt: skip

    def told(self, *methods: str) -> list[dict]:
        """Parameters of the events of these kinds since the page was opened."""
        return [e["params"] for e in self.events if e.get("method") in methods]

    def picture(self) -> bytes:
        """What the window shows, PNG."""
        return base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"])
