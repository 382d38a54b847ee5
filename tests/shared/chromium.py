"""Headless Chromium, and pages opened in it."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from typing import Any

import pytest
from typist import PATIENCE_S

_KEYS = {
    "Tab": (9, ""),
    "Enter": (13, "\r"),
    " ": (32, " "),
    "ArrowDown": (40, ""),
    "ArrowRight": (39, ""),
    "Backspace": (8, ""),
}
"""From a key's name to its number and what it types."""


@contextlib.contextmanager
def headless_chromium() -> Iterator[Browser]:
    """Start a browser; fail in CI where there is none, and skip elsewhere."""
    if shutil.which("chromium") is None:
        if os.environ.get("CI") == "true":
            pytest.fail("chromium is not installed; apt install chromium")
        pytest.skip("chromium is not installed")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        opened = Browser(profile)
        try:
            yield opened
        finally:
            opened.close()


class Browser:
    """Headless Chromium, spoken to over a pipe in its own protocol."""

    def __init__(self, profile: str) -> None:
        from_us, to_browser = os.pipe()
        from_browser, to_us = os.pipe()
        self._out, self._in, self._rest, self._number = to_browser, from_browser, b"", 0
        flags = (
            "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run "
            "--disable-background-networking --disable-component-update --disable-sync "
            "--remote-debugging-pipe"
        )
        self._process = subprocess.Popen(
            # The protocol's own place is at 3 and 4.
            [
                *("bash", "-c", f'exec "$@" 3<&{from_us} 4>&{to_us}', "bash", "chromium"),
                *flags.split(),
                f"--user-data-dir={profile}",
            ],
            pass_fds=(from_us, to_us),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(from_us)
        os.close(to_us)
        self.events: list[dict[str, Any]] = []

    def call(self, method: str, session: str | None = None, **parameters: Any) -> dict[str, Any]:
        """Ask for something, and return the answer."""
        told = self.told(method, session, **parameters)
        assert "error" not in told, told
        result: dict[str, Any] = told["result"]
        return result

    def told(self, method: str, session: str | None = None, **parameters: Any) -> dict[str, Any]:
        """Ask for something, and return the answer or why there is none."""
        self._number += 1
        asked = {"id": self._number, "method": method, "params": parameters}
        if session is not None:
            asked["sessionId"] = session
        os.write(self._out, json.dumps(asked).encode() + b"\0")
        while True:
            told = self._read()
            if told.get("id") == asked["id"]:
                return told
            self.events.append(told)

    def wait_for(self, method: str) -> None:
        """Wait until the browser tells of an event."""
        while not any(e.get("method") == method for e in self.events):
            self.events.append(self._read())

    def _read(self) -> dict[str, Any]:
        until_s = time.monotonic() + PATIENCE_S
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._in], [], [], max(0.0, until_s - time.monotonic()))
            assert ready, "the browser says nothing"
            came = os.read(self._in, 1 << 20)
            assert came, "the browser has gone"
            self._rest += came
        message, self._rest = self._rest.split(b"\0", 1)
        told: dict[str, Any] = json.loads(message)
        return told

    def close(self) -> None:
        with contextlib.suppress(AssertionError, BrokenPipeError):
            self.call("Browser.close")
        os.close(self._out)
        os.close(self._in)
        self._process.wait(timeout=PATIENCE_S)


class Opened:
    """A page that the browser has loaded, and all that it complained of."""

    def __init__(self, browser: Browser, url: str, *, size: tuple[int, int] | None = None) -> None:
        self._browser = browser
        target = browser.call("Target.createTarget", url="about:blank")["targetId"]
        attached = browser.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        browser.events.clear()
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")
        if size is not None:
            wide, high = size
            shape = {"width": wide, "height": high, "deviceScaleFactor": 1, "mobile": wide < high}
            self.call("Emulation.setDeviceMetricsOverride", **shape)
        self.call("Page.navigate", url=url)
        browser.wait_for("Page.loadEventFired")

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        return self._browser.call(method, self._session, **parameters)

    def value(self, expression: str) -> Any:
        """Evaluate an expression in the page."""
        told = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in told, told
        return told["result"].get("value")

    def wait_for(self, condition: str) -> None:
        """Wait until an expression in the page is true, or in the one that it leads to."""
        # A page that is half there has not what is asked about yet.
        holds = f"() => {{ try {{ return {condition} }} catch {{ return false }} }}"
        look = f"() => ({holds})() ? done(true) : setTimeout(look, 30)"
        promise = f"new Promise(done => {{ const look = {look}; look(); }})"
        asked = {"expression": promise, "awaitPromise": True}
        told = self._browser.told("Runtime.evaluate", self._session, **asked)
        while "error" in told:  # another page was loaded meanwhile
            told = self._browser.told("Runtime.evaluate", self._session, **asked)
        assert "exceptionDetails" not in told["result"], told

    def press(self, key: str) -> None:
        """Press and let go of a key, as a hand does."""
        # A number only for letters and digits: that of a point's letter is another key's.
        code, text = _KEYS.get(key) or (ord(key.upper()) if key.isalnum() else 0, key)
        pressed = {"key": key, "windowsVirtualKeyCode": code, "text": text}
        self.call("Input.dispatchKeyEvent", type="keyDown", **pressed)
        self.call("Input.dispatchKeyEvent", type="keyUp", key=key, windowsVirtualKeyCode=code)

    def picture(self) -> bytes:
        """Return what the page looks like now, as a PNG."""
        taken = self.call("Page.captureScreenshot", format="png")
        return base64.b64decode(taken["data"])

    @property
    def complaints(self) -> list[dict[str, Any]]:
        """What stands in the console, and what broke."""
        named = ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded")
        self.value("0")  # what was still under way has come in by then
        return [e for e in self._browser.events if e.get("method") in named]

    @property
    def fetched(self) -> list[str]:
        """What was asked for but what lies inside the page."""
        asked = [e for e in self._browser.events if e.get("method") == "Network.requestWillBeSent"]
        urls = [str(e["params"]["request"]["url"]) for e in asked]
        return [url for url in urls if not url.startswith("data:")]

    @property
    def missing_pictures(self) -> list[str]:
        """Pictures that were not decoded, by their alternative text."""
        found: list[str] = self.value(
            "[...document.images].filter(i => !i.complete || i.naturalWidth === 0).map(i => i.alt)"
        )
        return found
