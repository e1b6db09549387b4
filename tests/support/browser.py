"""A headless Chromium driven over its debugging protocol: just what the report's tests need.

https://chromedevtools.github.io/devtools-protocol/ names the methods and events used here.
"""

from __future__ import annotations

import base64
import json
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import websocket

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    "--remote-debugging-port=0",
)
PATIENCE_S = 30.0


class Browser:
    """One page. ``events`` holds everything that it has reported so far."""

    def __init__(self, address: str) -> None:
        self._socket = websocket.create_connection(
            address, timeout=PATIENCE_S, suppress_origin=True
        )
        self._count = 0
        self.events: list[dict[str, Any]] = []
        target = self._call("Target.createTarget", url="about:blank")["targetId"]
        session = self._call("Target.attachToTarget", targetId=target, flatten=True)
        self._session: str = session["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """A method of the page; its result."""
        return self._call(method, session=self._session, **parameters)

    def open(self, path: Path, *, width: int, dark: bool = False, height: int = 900) -> None:
        """Show a file in a window of this size and wait until it has loaded."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=width < 600,
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", features=[scheme])
        self.events.clear()
        self.call("Page.navigate", url=path.resolve().as_uri())
        self.wait("Page.loadEventFired")

    def wait(self, method: str) -> None:
        """Read events until this one has come."""
        end = time.monotonic() + PATIENCE_S
        while not any(event["method"] == method for event in self.events):
            if time.monotonic() > end:
                raise TimeoutError(method)
            self._read()

    def evaluate(self, script: str) -> Any:
        """The value of a JavaScript expression."""
        answer = self.call("Runtime.evaluate", expression=script, returnByValue=True)
        if "exceptionDetails" in answer:
            raise AssertionError(answer["exceptionDetails"])
        return answer["result"].get("value")

    def screenshot(self, path: Path) -> None:
        """The whole page as PNG."""
        shot = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(shot["data"]))

    def pdf(self, path: Path, *, letter: bool = False) -> None:
        """The page as printed, on A4 or Letter."""
        size = (8.5, 11.0) if letter else (8.27, 11.69)
        made = self.call(
            "Page.printToPDF", paperWidth=size[0], paperHeight=size[1], preferCSSPageSize=False
        )
        path.write_bytes(base64.b64decode(made["data"]))

    def close(self) -> None:
        """End the browser."""
        self._call("Browser.close")
        self._socket.close()

    def _call(self, method: str, session: str = "", **parameters: Any) -> dict[str, Any]:
        self._count += 1
        wanted = self._count
        message = {"id": wanted, "method": method, "params": parameters}
        if session:
            message["sessionId"] = session
        self._socket.send(json.dumps(message))
        while True:
            answer = self._read()
            if answer is not None and answer["id"] == wanted:
                if "error" in answer:
                    raise AssertionError(f"{method}: {answer['error']}")
                result: dict[str, Any] = answer["result"]
                return result

    def _read(self) -> dict[str, Any] | None:
        """The next message; an event is kept and gives None."""
        message: dict[str, Any] = json.loads(self._socket.recv())
        if "id" in message:
            return message
        self.events.append(message)
        return None


@contextmanager
def browser(program: str) -> Iterator[Browser]:
    """A browser with an empty profile, ended afterwards."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        process = subprocess.Popen(
            [program, *FLAGS, f"--user-data-dir={profile}", "about:blank"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            page = Browser(_address(Path(profile) / "DevToolsActivePort"))
            try:
                yield page
            finally:
                page.close()
        finally:
            try:
                process.wait(timeout=10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _address(file: Path) -> str:
    """The debugger's address, which the browser writes into its profile once it listens."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        lines = file.read_text().split() if file.exists() else []
        if len(lines) == 2:
            return f"ws://127.0.0.1:{lines[0]}{lines[1]}"
        time.sleep(0.05)
    raise TimeoutError("the browser did not start")
