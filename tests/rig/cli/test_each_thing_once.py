"""Each block is compressed once and each profile searched once, whatever is asked of it."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typist import typed

from dsp.ping.pulse.compression import PulseCompressor
from rig.cli import main
from rig.run.echo_search import EchoSearch

pytestmark = pytest.mark.usefixtures("unseen_pictures")

PLAN = """
[pulse]
kind = "chirp"
start_hz = 8000.0
stop_hz = 16000.0
duration_s = 0.004
[timing]
ping_interval_s = 0.05
[receiver]
range_stop_m = 3.0
stack = {stack}
[geometry]
time_zero = "{time_zero}"
"""
# A ball drawn across the beam at 0.4 m/s, before a post; invented.
SCENE = """
[medium]
kind = "air"
sound_speed_m_s = 343.963
[noise]
level_db = -70.0
[transducer]
radius_m = 0.03
[[target]]
body = "sphere"
radius_m = 0.05
position_m = [1.2, -0.4, 0.0]
velocity_m_s = [0.0, 0.4, 0.0]
"""
PINGS = 40


class Counted:
    """How often each block's channel was transformed, and each profile searched."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.blocks: Counter[bytes] = Counter()
        self.profiles: Counter[bytes] = Counter()
        spectrum, found_each = PulseCompressor.spectrum, EchoSearch.found_each

        def counted_spectrum(its: PulseCompressor, blocks: Any) -> Any:
            # One block, or many that are transformed at once.
            for block in np.atleast_2d(np.asarray(blocks, dtype=np.float32)):
                self.blocks[block.tobytes()] += 1
            return spectrum(its, blocks)

        def counted_found(its: EchoSearch, placed: Any, *args: Any, **how: Any) -> Any:
            for profile, _ in placed:
                self.profiles[profile.envelope.tobytes()] += 1
            return found_each(its, placed, *args, **how)

        monkeypatch.setattr(PulseCompressor, "spectrum", counted_spectrum)
        monkeypatch.setattr(EchoSearch, "found_each", counted_found)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with plans, scenes, and the recordings that commands read, made once."""
    folder = tmp_path_factory.mktemp("bench")
    (folder / "scene.toml").write_text(SCENE)
    # Pings in which something moved are not added up.
    still = SCENE.replace("-0.4, 0.0]", "0.0, 0.0]").replace("0.4, 0.0]", "0.0, 0.0]")
    (folder / "still.toml").write_text(still)
    for name, stack, time_zero in (
        ("plan", 1, "direct"),
        ("stacks", 4, "direct"),
        ("wired", 1, "loopback"),
    ):
        (folder / f"{name}.toml").write_text(PLAN.format(stack=stack, time_zero=time_zero))
    for name, time_zero, channel in (("two", "direct", 2), ("wired-two", "loopback", 3)):
        second = f"second_channel = {channel}\nsecond_spacing_m = -0.24\n"
        plan = PLAN.format(stack=1, time_zero=time_zero)
        (folder / f"{name}.toml").write_text(plan + second)
    for name in ("plan", "stacks", "two"):
        assert typed(*run(name).split(), folder=folder).returncode == 0
    return folder


@pytest.fixture(autouse=True)
def _here(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(bench)


def run(plan: str, record: str = "") -> str:
    scene = "still" if plan == "stacks" else "scene"
    words = f"run --plan {plan}.toml --scene {scene}.toml --pings {PINGS}"
    return f"{words} --record {record or plan} --json"


@pytest.mark.parametrize(
    ("command", "blocks", "profiles"),
    [
        # A wire's channel is a block of its own.
        (run("plan", "plan-again"), PINGS, PINGS),
        (run("wired"), 2 * PINGS, PINGS),
        # So is a second receiver's, and what it heard is a profile of its own. The sum of each
        # is asked what the direct sound tells of the pair.
        (run("two", "two-again"), 2 * PINGS, 2 * PINGS + 2),
        (run("wired-two"), 3 * PINGS, 2 * PINGS + 2),
        ("measure two.sigmf-meta --json", 2 * PINGS, 2 * PINGS + 4),
        # A sum of several pings is a profile of its own, but for the first's.
        (run("stacks", "stacks-again"), PINGS, 2 * PINGS - 1),
        ("replay plan.sigmf-meta", PINGS, PINGS),
        ("replay plan.sigmf-meta --json --picture p.png", PINGS, PINGS),
        # One more: the sum of all.
        ("measure plan.sigmf-meta --json", PINGS, PINGS + 1),
        ("measure plan.sigmf-meta", PINGS, PINGS + 1),
        ("strength plan.sigmf-meta --source-level-db -10 --json", PINGS, PINGS + 1),
        ("beam plan.sigmf-meta --speed-m-s 0.4 --json", PINGS, PINGS),
        ("focus plan.sigmf-meta --json --picture f.png", PINGS, PINGS),
        ("report plan.sigmf-meta --speed-m-s 0.4 --source-level-db -10", PINGS, PINGS + 1),
        ("report stacks.sigmf-meta", PINGS, 2 * PINGS),
        ("what-if plan.sigmf-meta --change disc=2x --json", PINGS, PINGS),
        ("listen plan.sigmf-meta --slow 20 --json", 1, 1),
        ("check --plan plan.toml --scene scene.toml --pings 8 --json", 8, 8),
    ],
)
def test_a_command_goes_over_each_block_and_profile_once(
    command: str, blocks: int, profiles: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    counted = Counted(monkeypatch)
    # `check` finds a bench fit or not; neither is a failure here.
    assert main(command.split()) in ((0, 1) if command.startswith("check") else (0,))
    assert sum(counted.blocks.values()) == blocks
    assert sum(counted.profiles.values()) == profiles
    # A pair's two sums are searched for echoes, and for the direct sound at a laxer rate.
    twice = 2 if command.startswith("measure two") else 0
    assert Counter(counted.profiles.values()) == Counter({1: profiles - 2 * twice, 2: twice})
    if "wired" not in command:  # a wire without noise sounds the same in each ping
        assert set(counted.blocks.values()) == {1}


def test_a_lesson_goes_over_each_block_once_and_sums_each_step_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    counted = Counted(monkeypatch)
    lesson = "lesson time-is-distance --part out-and-back --predict 11.6 --json"
    assert main(lesson.split()) == 0
    # Two steps of eight pings, each with its sum.
    assert Counter(counted.blocks.values()) == {1: 16}
    assert Counter(counted.profiles.values()) == {1: 18}


def test_a_calibration_compresses_each_block_by_its_two_filters_and_no_more(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    counted = Counted(monkeypatch)
    command = "calibrate --plan plan.toml --scene scene.toml --pings 6 --at 1.2 --json"
    assert main([*command.split(), "--sphere-radius", "0.05"]) == 0
    # Times are heard through a Hann window, the level through the plan's own filter; the pulse
    # as it was heard is compressed once, to be placed.
    assert Counter(counted.blocks.values()) == {2: 6, 1: 1}
