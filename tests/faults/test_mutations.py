"""A file that others may have written ends in numbers that hold, or in one line and status 2.

10,000 mutations of each kind in the long form (`python -m tests.faults`); a hundred here, and
forty of those that the whole receiver goes over. The memory that may be asked for is limited, so
that a size that is taken at its word fails at once; a hang ends in the time that the whole run is
given.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from mutations import (
    json_bytes,
    raws,
    tables,
    texts,
    toml_bytes,
    trees,
    without_checksum,
)
from typist import typed

from rig.bench.plan import plan_from_table, read_plan
from rig.errors import PlanError
from rig.measure.what_if.change import changed_plan, read_change

EXAMPLES = int(os.environ.get("ECHOBENCH_FAULTS_EXAMPLES", "100"))
MOST_BYTES = 2_000_000_000
"""More than any file here may ask for: a ping of the longest that a plan allows, 2^23 samples
of 4 bytes, takes some ten such arrays on its way."""

LONGEST = 7000  # characters of a complaint: a thousand of the words, each perhaps as its code

PLAN = """
[pulse]
kind = "chirp"
start_hz = 4000.0
stop_hz = 12000.0
duration_s = 0.005
[timing]
sample_rate_hz = 48000.0
ping_interval_s = 0.03
[receiver]
range_stop_m = 1.2
[medium]
temperature_c = 20.0
[geometry]
baseline_m = 0.12
[transducer]
radius_m = 0.03
"""
SCENE = """
[medium]
sound_speed_m_s = 343.963
[noise]
level_db = -70.0
[source]
level_db = -10.0
[walls]
size_m = [3.0, 2.0, 2.0]
pair_m = [0.5, 1.0, 1.0]
ahead = 0.1
order = 1
[converter]
bits = 16
latency_s = 0.0
[[target]]
body = "sphere"
radius_m = 0.05
position_m = [0.8, 0.0, 0.0]
[[target]]
body = "bubbles"
radius_m = 0.05
count = 5
position_m = [1.0, 0.0, 0.0]
velocity_m_s = [0.0, 0.1, 0.0]
"""
KEY = [
    {"number": n, "topic": topic, "choices": ["0.8 m", "1.2 m"], "answer": "0.8 m", "reason": ""}
    for n, topic in ((1, "range"), (2, "speed"))
]
ANSWERS = "name,number,answer\nA,1,a\nA,2,0.8 m\nB,1,b\n"
STOPS = "position_m,first_ping,last_ping\n-0.1,0,0\n0.0,1,1\n0.1,2,2\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("mutations")
    (made / "plan.toml").write_text(PLAN)
    (made / "scene.toml").write_text(SCENE)
    (made / "good.key").write_text(json.dumps(KEY))
    (made / "good.csv").write_text(ANSWERS)
    run = ("run", "--plan", "plan.toml", "--scene", "scene.toml", "--pings", "3")
    assert typed(*run, "--record", "good", "--json", folder=made).returncode == 0
    equalised = PLAN.replace("[receiver]", '[receiver]\nweighting = "equalised"')
    (made / "equalised.toml").write_text(equalised)
    calibrate = ("calibrate", "--plan", "plan.toml", "--scene", "scene.toml", "--pings", "4")
    done = typed(*calibrate, "--at", "0.8", "--calibration", "good.json", folder=made)
    assert done.returncode == 0, done.stderr
    for name in ("good.sigmf-meta", "good.json"):
        (made / name).write_bytes(without_checksum((made / name).read_bytes()))
    samples = np.fromfile(made / "good.sigmf-data", dtype="<f4")
    soundfile.write(made / "good.wav", samples, 48000, subtype="PCM_16")
    soundfile.write(made / "good.flac", samples, 48000, subtype="PCM_16")
    return made


@contextlib.contextmanager
def bounded() -> Iterator[None]:
    """Let no more memory be asked for than `MOST_BYTES` above what is held."""
    if sys.platform != "linux":
        yield
        return
    import resource

    pages = int(Path("/proc/self/statm").read_text().split()[0])
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + MOST_BYTES, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


def _refused(constant: str) -> NoReturn:
    raise AssertionError(f"{constant} in an answer")


def answer_of(*words: str, folder: Path) -> dict[str, Any] | None:
    """Give a command; return its answer, or None where it was refused as it should be."""
    with bounded():
        done = typed(*words, "--json", folder=folder)
    if done.returncode == 0:
        answer: dict[str, Any] = json.loads(done.stdout.splitlines()[-1], parse_constant=_refused)
        for echo in answer.get("echoes", ()):
            assert echo["u_range_m"] > 0
            assert echo["range_m"] >= 0
        return answer
    assert done.returncode == 2, (done.returncode, done.stderr)
    (complaint,) = done.stderr.splitlines()
    assert complaint.startswith("echobench: ")
    assert complaint.isprintable()
    assert len(complaint) < LONGEST
    return None


def many(examples: int = EXAMPLES) -> settings:
    return settings(
        max_examples=examples,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        database=None,
        derandomize=EXAMPLES <= 100,
    )


def fewer() -> settings:
    """As many as take no longer than a hundred of the others: each is gone over ping by ping."""
    return many(2 * EXAMPLES // 5)


def both(strategy: st.SearchStrategy[bytes], text: st.SearchStrategy[bytes]) -> Any:
    """Mutate what a file says, and how it is written."""
    return st.one_of(strategy, strategy, text)


class Drawn:
    """Draws mutations of a file that the fixture makes: `data.draw` has it at hand."""

    def __init__(self, folder: Path, name: str) -> None:
        self.good = (folder / name).read_bytes()

    def json(self, data: st.DataObject) -> bytes:
        tree = json.loads(self.good)
        return data.draw(both(trees(tree).map(json_bytes), texts(self.good.decode())))


@given(data=st.data())
@fewer()
def test_a_recordings_metadata(folder: Path, data: st.DataObject) -> None:
    raw = Drawn(folder, "good.sigmf-meta").json(data)
    (folder / "bad.sigmf-meta").write_bytes(raw)
    (folder / "bad.sigmf-data").write_bytes((folder / "good.sigmf-data").read_bytes())
    answer_of("replay", "bad", folder=folder)


@given(data=st.data())
@fewer()
def test_a_recordings_pings_are_right_or_refused_or_lost(folder: Path, data: st.DataObject) -> None:
    # Where one ping begins, what it is numbered, what was flagged: none of it moves an echo.
    tree = json.loads((folder / "good.sigmf-meta").read_bytes())
    tree["captures"] = data.draw(trees(tree["captures"]))
    (folder / "bad.sigmf-meta").write_bytes(json_bytes(tree))
    (folder / "bad.sigmf-data").write_bytes((folder / "good.sigmf-data").read_bytes())
    answer = answer_of("replay", "bad", folder=folder)
    for echo in [] if answer is None else answer["echoes"]:
        # The ball at 0.8 m, the bubbles from 1.0 m on, the wall at 2.5 m.
        assert abs(echo["range_m"] - 0.8) < 0.01 or echo["range_m"] > 0.98


@given(data=st.data())
@fewer()
def test_a_recordings_samples(folder: Path, data: st.DataObject) -> None:
    raw = data.draw(raws((folder / "good.sigmf-data").read_bytes()))
    (folder / "bad.sigmf-meta").write_bytes((folder / "good.sigmf-meta").read_bytes())
    (folder / "bad.sigmf-data").write_bytes(raw)
    answer_of("replay", "bad", folder=folder)


@given(raw=both(trees(tomllib.loads(PLAN)).map(toml_bytes), texts(PLAN)))
@many()
def test_a_plan(folder: Path, raw: bytes) -> None:
    (folder / "bad.toml").write_bytes(raw)
    answer = answer_of("plan", "--plan", "bad.toml", folder=folder)
    if answer is None or read_plan(folder / "bad.toml").interval_samples > 20_000:
        return
    answer_of("run", "--plan", "bad.toml", "--pings", "1", folder=folder)


@given(raw=both(trees(tomllib.loads(SCENE)).map(toml_bytes), texts(SCENE)))
@many()
def test_a_scene(folder: Path, raw: bytes) -> None:
    (folder / "bad.toml").write_bytes(raw)
    run = ("run", "--plan", "plan.toml", "--scene", "bad.toml", "--pings", "1")
    answer_of(*run, folder=folder)


@given(data=st.data())
@fewer()
def test_a_calibration(folder: Path, data: st.DataObject) -> None:
    (folder / "bad.json").write_bytes(Drawn(folder, "good.json").json(data))
    replay = ("replay", "good", "--plan", "equalised.toml", "--calibration", "bad.json")
    answer_of(*replay, folder=folder)


@given(raw=both(trees(KEY).map(json_bytes), texts(json.dumps(KEY))))
@example(raw=json_bytes([{**KEY[0], "number": True}]))
@many()
def test_a_key(folder: Path, raw: bytes) -> None:
    (folder / "bad.key").write_bytes(raw)
    answer_of("exercise", "--mark", "good.csv", "--key", "bad.key", folder=folder)


@given(raw=both(tables(ANSWERS), texts(ANSWERS)))
@many()
def test_a_table_of_answers(folder: Path, raw: bytes) -> None:
    (folder / "bad.csv").write_bytes(raw)
    answer_of("exercise", "--mark", "bad.csv", "--key", "good.key", folder=folder)


@given(raw=both(tables(STOPS), texts(STOPS)))
@many()
def test_a_table_of_stops(folder: Path, raw: bytes) -> None:
    (folder / "bad.csv").write_bytes(raw)
    done = typed("beam", "good", "--stops", "bad.csv", "--json", folder=folder)
    # Three pings are no beam: one that reads as it should is refused for that, with status 1.
    assert done.returncode in (1, 2), done.stderr
    (complaint,) = done.stderr.splitlines()
    assert complaint.isprintable()


@pytest.mark.parametrize("name", ["wav", "flac"])
@given(data=st.data())
@fewer()
def test_a_sound_files_header(folder: Path, name: str, data: st.DataObject) -> None:
    raw = data.draw(raws((folder / f"good.{name}").read_bytes(), head=60))
    (folder / f"bad.{name}").write_bytes(raw)
    answer_of("replay", f"bad.{name}", "--plan", "plan.toml", folder=folder)


@given(
    change=st.one_of(
        st.text(max_size=20),
        st.builds(
            "{}={}{}".format,
            st.sampled_from(["frequency", "disc", "speed", "pulse", "tilt", "time"]),
            st.floats().map(str) | st.sampled_from(["1" * 5000, "", "1e400", "1_0", "\u0663"]),
            st.sampled_from(["", "x", "xx", "\n"]),
        ),
    )
)
@many()
def test_a_change_in_words(change: str) -> None:
    plan = plan_from_table(tomllib.loads(PLAN))
    try:
        changed = changed_plan(plan, read_change(change))
    except PlanError as problem:
        assert str(problem).isprintable()  # noqa: PT017
        assert len(str(problem)) < LONGEST  # noqa: PT017
    else:
        assert changed.interval_samples > 0
