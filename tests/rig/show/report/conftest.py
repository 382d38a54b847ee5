"""Reports of invented scenes, and a browser to open them in."""

import contextlib
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from typist import PATIENCE_S, typed

PLAN = """
[pulse]
kind = "chirp"
start_hz = 20000.0
stop_hz = 30000.0
duration_s = 0.002
[timing]
sample_rate_hz = 96000
ping_interval_s = 0.05
[receiver]
range_start_m = 0.3
range_stop_m = 3.0
[geometry]
baseline_m = 0.06
[transducer]
radius_m = 0.02
"""
SCENE = """
[medium]
kind = "air"
sound_speed_m_s = 343.99
[noise]
level_db = -60.0
[transducer]
radius_m = 0.02
[geometry]
baseline_m = 0.06
[[target]]
body = "sphere"
radius_m = 0.03
position_m = [0.8, -0.6, 0.0]
velocity_m_s = [0.0, 0.4, 0.0]
[[target]]
body = "plate"
width_m = 0.3
height_m = 0.3
position_m = [2.2, 0.0, 0.0]
"""
ODD_NAME = """<img src=x onerror="document.title='hit'">&amp;'é"""
"""A file may be called so, and a page that does not escape it would run it."""


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a plan, a scene and a recording of a ball that is drawn past a plate."""
    folder = tmp_path_factory.mktemp("bench")
    (folder / "plan.toml").write_text(PLAN)
    (folder / "scene.toml").write_text(SCENE)
    run = ("run", "--plan", "plan.toml", "--scene", "scene.toml", "--pings", "60")
    done = typed(*run, "--record", ODD_NAME, "--json", folder=folder)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture(scope="session")
def recording() -> str:
    return f"{ODD_NAME}.sigmf-meta"


@pytest.fixture(scope="session")
def written(bench: Path, recording: str) -> dict[str, Path]:
    """The report of that recording with all its parts: the page and each table."""
    calibrated = typed(
        *("calibrate", "--plan", "plan.toml", "--scene", "scene.toml", "--at", "2.2", "--json"),
        folder=bench,
    )
    assert calibrated.returncode == 0, calibrated.stderr
    done = typed(
        *("report", recording, "--out", "whole.html", "--json", "--speed-m-s", "0.4"),
        *("--to-m", "1.2", "--source-level-db", "-20"),
        *("--calibration", "echobench-calibration.json"),
        folder=bench,
    )
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout.splitlines()[-1])
    tables = {name.removesuffix(".csv").split("-")[-1]: bench / name for name in answer["tables"]}
    return {"page": bench / answer["report"], **tables}


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
        self._number += 1
        asked = {"id": self._number, "method": method, "params": parameters}
        if session is not None:
            asked["sessionId"] = session
        os.write(self._out, json.dumps(asked).encode() + b"\0")
        while True:
            told = self._read()
            if told.get("id") == asked["id"]:
                assert "error" not in told, told
                result: dict[str, Any] = told["result"]
                return result
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

    def __init__(self, browser: Browser, path: Path) -> None:
        self._browser = browser
        target = browser.call("Target.createTarget", url="about:blank")["targetId"]
        attached = browser.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        browser.events.clear()
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")
        self.call("Page.navigate", url=path.as_uri())
        browser.wait_for("Page.loadEventFired")

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        return self._browser.call(method, self._session, **parameters)

    def value(self, expression: str) -> Any:
        """Evaluate an expression in the page."""
        told = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        assert "exceptionDetails" not in told, told
        return told["result"].get("value")

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


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if shutil.which("chromium") is None:
        if os.environ.get("CI") == "true":
            pytest.fail("chromium is not installed; apt install chromium")
        pytest.skip("chromium is not installed")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        opened = Browser(profile)
        yield opened
        opened.close()


@pytest.fixture
def open_page(browser: Browser) -> Callable[[Path], Opened]:
    return lambda path: Opened(browser, path)
