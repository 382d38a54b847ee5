"""What a recording says twice is held to each other: a number that changed alone is found out.

Each number of each ping is changed by itself. The replay then tells what it told before, or less
of it with the reason, or ends in one line and status 2: a range that moved is none of these.
"""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from typist import typed

PLAN = """
[pulse]
kind = "{pulse}"
[timing]
ping_interval_s = 0.03
[receiver]
range_stop_m = 1.2
[geometry]
baseline_m = 0.12
"""
CHIRP = 'chirp"\nstart_hz = 4000.0\nstop_hz = 12000.0\nduration_s = 0.005\ntaper = "tukey'
GOLAY = 'golay"\nchips = 16\nchip_s = 0.00025\ncentre_hz = 8000.0\ntaper = "none'
SCENE = """
[medium]
sound_speed_m_s = 343.963
[noise]
level_db = -70.0
[[target]]
body = "sphere"
radius_m = 0.05
position_m = [0.8, 0.0, 0.0]
[[target]]
body = "sphere"
radius_m = 0.05
position_m = [1.0, 0.0, 0.0]
"""
BENCHES = {
    "direct": PLAN.format(pulse=CHIRP),
    "wire": PLAN.format(pulse=CHIRP) + 'time_zero = "loopback"\n',
    "known": PLAN.format(pulse=CHIRP) + 'time_zero = "calibration"\n',
    "two microphones": PLAN.format(pulse=CHIRP) + "second_channel = 2\nsecond_spacing_m = -0.24\n",
    "codes in turn": PLAN.format(pulse=GOLAY).replace('taper = "none"\n', ""),
    "signed": PLAN.format(pulse=CHIRP).replace("[receiver]", "signed_pings = true\n[receiver]"),
}


@pytest.fixture(scope="module", params=BENCHES)
def folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("twice")
    (made / "plan.toml").write_text(BENCHES[request.param])
    (made / "scene.toml").write_text(SCENE)
    run = ("run", "--plan", "plan.toml", "--scene", "scene.toml", "--pings", "2", "--json")
    done = typed(*run, "--record", "good", folder=made)
    assert done.returncode == 0, done.stderr
    (made / "bad.sigmf-data").write_bytes((made / "good.sigmf-data").read_bytes())
    return made


def read(folder: Path) -> dict[str, Any]:
    table: dict[str, Any] = json.loads((folder / "good.sigmf-meta").read_bytes())
    return table


def replayed(folder: Path, table: dict[str, Any]) -> dict[str, Any] | None:
    """Return what a replay answers; None where it refuses in one line."""
    (folder / "bad.sigmf-meta").write_text(json.dumps(table))
    done = typed("replay", "bad", "--json", folder=folder)
    if done.returncode:
        assert done.returncode == 2, done.stderr
        (complaint,) = done.stderr.splitlines()
        assert complaint.startswith("echobench: bad")
        return None
    answer: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return answer


def changed(value: float) -> set[float]:
    """Return what a number may have become by one slip."""
    if isinstance(value, int):
        return {value * 2, value + 1, value - 1} - {value}
    return {value * 2, value / 2, value * 1.01}


def test_no_number_of_a_ping_that_changed_alone_moves_a_range(folder: Path) -> None:
    good = read(folder)
    told = replayed(folder, good)
    assert told is not None
    right = {p["index"]: [echo["range_m"] for echo in p["echoes"]] for p in told["per_ping"]}
    assert any(right.values()) or told["untold_echoes"]
    tried = refused = 0
    for number, segment in enumerate(good["captures"]):
        for key, value in segment.items():
            if isinstance(value, bool) or not isinstance(value, int | float):
                continue
            for other in changed(value):
                table = copy.deepcopy(good)
                table["captures"][number][key] = other
                answer = replayed(folder, table)
                tried += 1
                refused += answer is None
                for ping in [] if answer is None else answer["per_ping"]:
                    for echo in ping["echoes"]:
                        # A lost neighbour leaves less to know a speed by, and moves it by less.
                        off_m = (abs(echo["range_m"] - at) for at in right[ping["index"]])
                        assert min(off_m) < echo["u_range_m"], (key, other)
    assert refused > tried / 2  # most are found out, and not merely without effect


def test_channels_that_plan_and_stream_name_otherwise_are_refused(folder: Path) -> None:
    good = read(folder)
    stream = good["global"]["echobench:stream"]
    for key in ("microphone", "loopback", "second"):
        for other in {0, 1, None} - {stream[key]}:
            table = copy.deepcopy(good)
            table["global"]["echobench:stream"][key] = other
            assert replayed(folder, table) is None, (key, other)


@pytest.mark.parametrize("folder", sorted({*BENCHES} - {"wire", "known"}), indirect=True)
def test_a_baseline_that_moves_time_zero_from_where_it_was_noted_is_refused(folder: Path) -> None:
    good = read(folder)
    # The direct sound's way changes by 0.06 m, 175 µs or 8 samples; half of one is let pass.
    table = copy.deepcopy(good)
    table["global"]["echobench:plan"]["geometry"]["baseline_m"] = 0.06
    assert replayed(folder, table) is None


def test_another_plan_is_not_held_to_what_was_noted(folder: Path) -> None:
    text = (folder / "plan.toml").read_text()
    (folder / "other.toml").write_text(text.replace("baseline_m = 0.12", "baseline_m = 0.06"))
    done = typed("replay", "good", "--plan", "other.toml", "--json", folder=folder)
    assert done.returncode == 0, done.stderr
