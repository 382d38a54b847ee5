"""Reports of invented scenes, and a browser to open them in."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from chromium import Browser, Opened, headless_chromium
from typist import typed

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


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with headless_chromium() as opened:
        yield opened


@pytest.fixture
def open_page(browser: Browser) -> Callable[[Path], Opened]:
    return lambda path: Opened(browser, path.as_uri())
