"""A headless Chromium driven over its DevTools pipe: no port, no socket, no package."""

from __future__ import annotations

import base64
import json
import os
import selectors
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

PATIENCE_S = 60.0
#: What the browser answers to a script that a new page cut short.
_LEFT = ("Inspected target navigated or closed", "Execution context was destroyed")
#: A pipe's ends become file descriptors 3 and 4 of the browser, where it looks for them.
_HAND_OVER = """
import fcntl, os, sys
ends = [fcntl.fcntl(int(end), fcntl.F_DUPFD, 10) for end in sys.argv[1:3]]
os.dup2(ends[0], 3), os.dup2(ends[1], 4)
os.execv(sys.argv[3], sys.argv[3:])
"""
KEYS = {
    "ArrowRight": 39, "ArrowLeft": 37, "ArrowDown": 40, "ArrowUp": 38, "Escape": 27, "Enter": 13,
    "Tab": 9, " ": 32,
}  # fmt: skip


def found() -> str | None:
    """Where a Chromium is."""
    names = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
    return next(filter(None, map(shutil.which, names)), None)


class NavigatedAwayError(Exception):
    """The page that a script was asked of was left before it answered."""


class Chromium:
    """One browser with one tab. What it complained of and what it asked for are kept."""

    def __init__(self, program: str, profile: Path) -> None:
        their_in, self._out = os.pipe()
        self._in, their_out = os.pipe()
        flags = [
            "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
            "--no-first-run", "--no-default-browser-check", "--disable-extensions",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            "--host-resolver-rules=MAP * ~NOTFOUND", "--force-color-profile=srgb",
            "--hide-scrollbars", "--remote-debugging-pipe", f"--user-data-dir={profile}",
        ]  # fmt: skip
        self._process = subprocess.Popen(
            [sys.executable, "-c", _HAND_OVER, str(their_in), str(their_out), program, *flags,
             "about:blank"],
            pass_fds=(their_in, their_out), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(their_in)
        os.close(their_out)
        self._ready = selectors.DefaultSelector()
        self._ready.register(self._in, selectors.EVENT_READ)
        self._rest, self._count = b"", 0
        self._session: str | None = None
        self.complaints: list[str] = []
        self.requests: list[str] = []
        target = next(
            t for t in self.ask("Target.getTargets")["targetInfos"] if t["type"] == "page"
        )
        attached = self.ask("Target.attachToTarget", targetId=target["targetId"], flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.ask(f"{domain}.enable")

    def close(self) -> None:
        """End the browser that was started here."""
        self._session = None
        try:
            self.ask("Browser.close")
            self._process.wait(10)
        except (OSError, TimeoutError, subprocess.TimeoutExpired):
            self._process.kill()
            self._process.wait()
        self._ready.close()
        os.close(self._in)
        os.close(self._out)

    def ask(self, method: str, **params: Any) -> dict[str, Any]:
        """Return the answer to a command of the protocol."""
        self._count += 1
        message: dict[str, Any] = {"id": self._count, "method": method, "params": params}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        until = time.monotonic() + PATIENCE_S
        while True:
            answer = self._next(until, method)
            if answer.get("id") == message["id"]:
                if answer.get("error", {}).get("message", "").startswith(_LEFT):
                    raise NavigatedAwayError(method)
                assert "error" not in answer, f"{method}: {answer['error']}"
                result: dict[str, Any] = answer["result"]
                return result
            self._note(answer)

    def _next(self, until: float, what: str) -> dict[str, Any]:
        while b"\0" not in self._rest:
            if not self._ready.select(max(until - time.monotonic(), 0.0)):
                raise TimeoutError(f"no answer to {what} in {PATIENCE_S:.0f} s")
            read = os.read(self._in, 1 << 20)
            if not read:
                raise OSError(f"the browser ended at {what}")
            self._rest += read
        text, _, self._rest = self._rest.partition(b"\0")
        message: dict[str, Any] = json.loads(text)
        return message

    def _note(self, event: dict[str, Any]) -> None:
        params, method = event.get("params", {}), event.get("method")
        if method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])
        elif method == "Runtime.exceptionThrown":
            self.complaints.append(json.dumps(params["exceptionDetails"]))
        elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning"):
            self.complaints.append(json.dumps(params["args"]))
        elif method == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
            self.complaints.append(params["entry"]["text"])

    def value(self, expression: str) -> Any:
        """Return what a script says, awaited."""
        said = self.ask(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in said, f"{expression}: {said['exceptionDetails']}"
        return said["result"].get("value")

    def wait(self, expression: str) -> Any:
        """Return what a script says as soon as that is true, on whatever page is open then."""
        until = time.monotonic() + PATIENCE_S
        while True:
            try:
                if said := self.value(expression):
                    return said
            except NavigatedAwayError:
                pass  # The next page is asked.
            told = f"never true: {expression}; complaints: {self.complaints[:3]}"
            assert time.monotonic() < until, told
            time.sleep(0.03)

    def open(self, page: Path, until: str = "document.readyState === 'complete'") -> None:
        """Open a file and wait for it; what an earlier page did is forgotten."""
        self.ask("Page.navigate", url="about:blank")
        self.wait("location.href === 'about:blank'")
        self.complaints.clear()
        self.requests.clear()
        self.ask("Page.navigate", url=page.absolute().as_uri())
        self.wait(f"location.protocol === 'file:' && {until}")

    def size(self, width: int, height: int, *, phone: bool = False) -> None:
        """Give the tab a size, in CSS pixels."""
        self.ask(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, mobile=phone,
            deviceScaleFactor=1,
        )  # fmt: skip

    def prefer(self, **features: str) -> None:
        """Emulate what a reader's system prefers, as prefers_color_scheme="dark"; "" = nothing."""
        wishes = [{"name": k.replace("_", "-"), "value": v} for k, v in features.items()]
        self.ask("Emulation.setEmulatedMedia", media="", features=wishes)

    def click(self, x: float, y: float) -> None:
        """Move the pointer to a place in the window and click."""
        self.ask("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)
        for kind in ("mousePressed", "mouseReleased"):
            self.ask("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def move(self, x: float, y: float) -> None:
        """Move the pointer to a place in the window."""
        self.ask("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def key(self, name: str) -> None:
        """Press a key and let it go."""
        code = {"key": name, "windowsVirtualKeyCode": KEYS.get(name, ord(name.upper()[0]))}
        text = {"text": name} if len(name) == 1 else {"text": "\r"} if name == "Enter" else {}
        self.ask("Input.dispatchKeyEvent", type="keyDown", **code, **text)
        self.ask("Input.dispatchKeyEvent", type="keyUp", **code)

    def type(self, text: str) -> None:
        """Type into what has the focus."""
        self.ask("Input.insertText", text=text)

    def picture(self) -> bytes:
        """Return what the tab shows, as a PNG."""
        return base64.b64decode(
            self.ask("Page.captureScreenshot", format="png", optimizeForSpeed=True)["data"]
        )
