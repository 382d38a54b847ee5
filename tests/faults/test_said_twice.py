"""What a recording says twice is held to each other: a number that changed alone is found out.

Each number of each ping is changed by itself. The replay then tells what it told before, or less
of it with the reason, or ends in one line and status 2: a range that moved is none of these. What
is said once for all pings, and a calibration, is held to its checksum; where another program wrote
none, part of it is still said twice.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from mutations import without_checksum
from typist import typed

from rig.errors import CalibrationError
from rig.files.calibration import read_calibration

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
    made = tmp_path_factory.mktemp("said-twice")
    (made / "plan.toml").write_text(BENCHES[request.param])
    (made / "scene.toml").write_text(SCENE)
    run = ("run", "--plan", "plan.toml", "--scene", "scene.toml", "--pings", "2", "--json")
    done = typed(*run, "--record", "good", folder=made)
    assert done.returncode == 0, done.stderr
    (made / "bad.sigmf-data").write_bytes((made / "good.sigmf-data").read_bytes())
    return made


def read(folder: Path) -> dict[str, Any]:
    """Return the recording's metadata, as it was written but for the checksum."""
    raw = without_checksum((folder / "good.sigmf-meta").read_bytes())
    table: dict[str, Any] = json.loads(raw)
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


def changes(table: Any) -> Iterator[Callable[[Any], None]]:
    """Yield what changes one number, word or truth of a table, or of what is in it."""
    for key, value in table.items() if isinstance(table, dict) else enumerate(table):
        if isinstance(value, dict | list):
            for change in changes(value):
                yield lambda copied, key=key, change=change: change(copied[key])
        else:
            other = value + "x" if isinstance(value, str) else not value
            if isinstance(value, int | float) and not isinstance(value, bool):
                other = value * 1.01 if isinstance(value, float) and value else value + 1
            yield lambda copied, key=key, other=other: copied.__setitem__(key, other)


def test_nothing_of_plan_and_stream_changes_alone(folder: Path) -> None:
    good = json.loads((folder / "good.sigmf-meta").read_bytes())
    assert replayed(folder, good) is not None
    tried = 0
    for of in ("echobench:plan", "echobench:stream"):
        for change in changes(good["global"][of]):
            table = copy.deepcopy(good)
            change(table["global"][of])
            assert replayed(folder, table) is None, table["global"]
            tried += 1
    assert tried > 50


@pytest.mark.parametrize("folder", ["known"], indirect=True)
def test_nothing_of_a_calibration_changes_alone(folder: Path) -> None:
    calibrate = ("calibrate", "--plan", "plan.toml", "--scene", "scene.toml", "--pings", "4")
    done = typed(*calibrate, "--at", "0.8", "--calibration", "good.json", folder=folder)
    assert done.returncode == 0, done.stderr
    good = json.loads((folder / "good.json").read_bytes())
    assert read_calibration(folder / "good.json").time_zero is not None
    first_samples = copy.deepcopy(good)
    del first_samples["replica"]["replicas"][0]["samples"][20:]
    tried = 0
    for change in changes(first_samples):
        table = copy.deepcopy(good)
        change(table)
        (folder / "bad.json").write_text(json.dumps(table))
        with pytest.raises(CalibrationError, match=r"bad\.json: .*; make one with"):
            read_calibration(folder / "bad.json")
        tried += 1
    assert tried > 100


def test_another_plan_is_not_held_to_what_was_noted(folder: Path) -> None:
    text = (folder / "plan.toml").read_text()
    (folder / "other.toml").write_text(text.replace("baseline_m = 0.12", "baseline_m = 0.06"))
    done = typed("replay", "good", "--plan", "other.toml", "--json", folder=folder)
    assert done.returncode == 0, done.stderr
