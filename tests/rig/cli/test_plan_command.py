"""`echobench plan`: a plan to start from, written, foretold and pinged with."""

import json
import math
from pathlib import Path
from typing import Any

import pytest
from typist import typed

SPEED_M_S = {"air": 343.99, "tank": 1482.35}
SCENE = """
[medium]
kind = "{kind}"
sound_speed_m_s = {speed}
[noise]
level_db = -70.0
[[target]]
body = "sphere"
radius_m = 0.05
position_m = [0.9, 0.0, 0.0]
"""


def answer(*words: str, folder: Path) -> dict[str, Any]:
    done = typed(*words, "--json", folder=folder)
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


@pytest.mark.parametrize(
    ("bench", "speed_m_s", "centre_hz", "width_hz", "radius_m"),
    [
        ("air", 343.96, 8e3, 8e3, 0.030),
        ("tank", 1482.3462, 60e3, 40e3, 0.016),
        ("board", 343.96, 40e3, None, 0.008),
    ],
)
def test_what_is_written_is_foretold(
    tmp_path: Path,
    bench: str,
    speed_m_s: float,
    centre_hz: float,
    width_hz: float | None,
    radius_m: float,
) -> None:
    assert answer("plan", "--write", bench, "mine.toml", folder=tmp_path) == {
        "bench": bench,
        "plan": "mine.toml",
    }
    found = answer("plan", "--plan", "mine.toml", folder=tmp_path)
    # This project promises 0.05 m/s of CoolProp's humid air and of IAPWS-95: 343.96 m/s (20 °C,
    # 50 %) and 1482.3462 m/s (20 °C).
    assert found["sound_speed_m_s"] == pytest.approx(speed_m_s, abs=0.05)
    # Two-way half power of a piston at ka·sinθ = 1.160286 (computed with scipy). sin θ goes with
    # the speed, which may be off by 0.05 in 343.96; so θ by tan θ times as much, and tan θ < 0.3.
    half_angle_rad = math.asin(1.160286 / (2 * math.pi * centre_hz / speed_m_s * radius_m))
    most_off_deg = math.degrees(0.3 * 0.05 / 343.96)
    assert found["half_angle_deg"] == pytest.approx(math.degrees(half_angle_rad), abs=most_off_deg)
    if width_hz is not None:
        # An ideal chirp's c/2B, which "hann" makes twice as wide (its main lobe between zeros,
        # Harris 1978, memory) and the taper of a tenth of the band by a tenth at the most.
        assert 1 < found["resolution_m"] / (speed_m_s / (2 * width_hz)) < 2 * 1.1


@pytest.mark.parametrize(("bench", "kind"), [("air", "air"), ("tank", "fresh-water")])
def test_what_is_written_finds_a_ball_in_the_virtual_tank(
    tmp_path: Path, bench: str, kind: str
) -> None:
    typed("plan", "--write", bench, "mine.toml", folder=tmp_path)
    (tmp_path / "ball.toml").write_text(SCENE.format(kind=kind, speed=SPEED_M_S[bench]))
    words = ("run", "--plan", "mine.toml", "--scene", "ball.toml", "--pings", "2")
    (echo,) = answer(*words, folder=tmp_path)["echoes"]
    assert abs(echo["range_m"] - 0.9) < 3 * echo["u_range_m"]


@pytest.mark.parametrize("bench", ["air", "tank"])
def test_what_is_written_runs_where_no_scene_is_named(tmp_path: Path, bench: str) -> None:
    typed("plan", "--write", bench, "mine.toml", folder=tmp_path)
    found = answer("run", "--plan", "mine.toml", "--pings", "3", folder=tmp_path)
    assert (found["pings"], found["lost_pings"]) == (3, 0)
    assert len(found["echoes"]) >= 3  # each scene that ships has three targets


def test_a_person_is_told_where_it_is_and_what_to_do_next(tmp_path: Path) -> None:
    done = typed("plan", "--write", "tank", "mine.toml", folder=tmp_path)
    assert done.returncode == 0
    assert "A plan for a water tank is in mine.toml" in done.stdout
    assert "echobench plan --plan mine.toml" in done.stdout


def test_a_plan_that_is_there_is_not_written_over(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text("mine")
    done = typed("plan", "--write", "air", "mine.toml", folder=tmp_path)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.count("\n") == 1
    assert "mine.toml: is already there and is not overwritten" in done.stderr
    assert (tmp_path / "mine.toml").read_text() == "mine"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "one of the arguments --plan --write is required"),
        (("--write", "air"), "argument --write: expected 2 arguments"),
        (("--write", "pool", "x.toml"), "found 'pool'; give one of air, tank, board"),
        (("--plan", "x.toml", "--write", "air", "y.toml"), "not allowed with argument --plan"),
    ],
    ids=["neither", "half", "unknown", "both"],
)
def test_wrong_words_are_one_line_and_status_2(
    tmp_path: Path, words: tuple[str, ...], message: str
) -> None:
    done = typed("plan", *words, folder=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert message in done.stderr
    assert not list(tmp_path.iterdir())
