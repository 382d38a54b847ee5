"""Arches of the virtual tank folded back into its bodies, whose places and speed are the scene's.

How wide a point is to be is a disc's own theory (its chords folded with each other), worked out
here; half the disc along the way is the textbook's limit (L. J. Cutrona, *J. Acoust. Soc. Am.* 58,
1975, from memory).
"""

from __future__ import annotations

import errno
import json
import math

import numpy as np
import pytest

from rig.bench.plan import plan_from_table
from rig.cli import main
from rig.errors import RecordingError, StorageError
from rig.measure.focus import kept, mapping
from rig.measure.focus.answer import focus_answer
from rig.measure.focus.measurement import focus_of
from rig.measure.focus.words import focus_lines
from rig.run.opening import open_bench
from rig.run.run import run_with
from rig.tank.changes import in_the_hand
from rig.tank.scene import scene_from_table

pytestmark = pytest.mark.usefixtures("undrawn_pictures")

RADIUS_M, SPEED_M_S, INTERVAL_S, PINGS = 0.015, 0.25, 0.02, 300
# Three balls at three ranges, each at least fifteen times a²/λ = 18 mm away: the disc is a point.
PLACES_M = ((0.4, 0.3), (0.75, 0.6), (0.9, 1.0))
PLAN = {
    "pulse": {"kind": "chirp", "start_hz": 80e3, "stop_hz": 160e3, "duration_s": 0.0006,
              "taper": "tukey", "taper_fraction": 0.2},
    "timing": {"sample_rate_hz": 500000, "ping_interval_s": INTERVAL_S},
    "receiver": {"weighting": "hann", "range_start_m": 0.15, "range_stop_m": 1.3},
    "medium": {"kind": "fresh-water", "temperature_c": 20.0},
    "geometry": {"baseline_m": 0.05, "time_zero": "direct"},
    "transducer": {"shape": "piston", "radius_m": RADIUS_M},
}  # fmt: skip


def bench(places=PLACES_M, *, still=(), plan=PLAN, noise_db=-75.0, seed=0):
    drawn = [
        {
            "body": "sphere",
            "radius_m": 0.004,
            "position_m": [range_m, -along_m, 0.0],
            "velocity_m_s": [0.0, SPEED_M_S, 0.0],
        }
        for along_m, range_m in places
    ]
    hung = [{"body": "sphere", "radius_m": 0.01, "position_m": [r, 0.0, 0.0]} for r in still]
    scene = {
        "medium": {"kind": "fresh-water", "sound_speed_m_s": 1482.35, "temperature_c": 20.0},
        "noise": {"level_db": noise_db},
        "transducer": {"shape": "piston", "radius_m": RADIUS_M},
        "target": drawn + hung,
    }
    return open_bench(plan_from_table(plan), scene=scene_from_table(scene), seed=seed)


@pytest.fixture(scope="module")
def run():
    with bench() as its:
        return its.ping(PINGS)


@pytest.fixture(scope="module")
def found(run):
    return focus_of(run)


def disc_width_m() -> float:
    """Half-power width of a disc's point, all of its beam added up."""
    y = np.linspace(-1, 1, 4001)
    folded = np.convolve(*(np.sqrt(np.maximum(1 - y**2, 0)),) * 2)
    lag = np.linspace(-2, 2, folded.size)
    return float(lag[(lag > 0) & (folded < folded.max() * math.sqrt(0.5))][0]) * RADIUS_M


def test_points_are_as_narrow_as_the_disc_allows_at_three_ranges(found):
    assert found.finest_along_m == RADIUS_M
    assert len(found.points) == len(PLACES_M)
    widths = [placed.width_along_m for placed in found.points]
    for placed, width_m in zip(found.points, widths, strict=True):
        assert width_m < 1.2 * disc_width_m()
        assert width_m < 1.2 * placed.due_along_m
        assert width_m < found.finest_along_m
        assert placed.sharp
        assert not placed.near
        assert not placed.cut
    # The range makes no difference: of one face at 0.3 m as at 1 m.
    assert max(widths) < 1.1 * min(widths)


def test_places_and_speed_lie_within_their_intervals(found):
    assert found.speed.found
    assert abs(found.speed.speed_m_s - SPEED_M_S) < 2 * found.speed.u_speed_m_s
    for placed, (along_m, range_m) in zip(found.points, PLACES_M, strict=True):
        assert abs(placed.point.along_m - along_m) < 2 * placed.u_along_m
        assert abs(placed.point.range_m - range_m) < 2 * placed.u_range_m
        # And they are worth something: a hundredth of the place.
        assert placed.u_along_m < 0.01 * along_m


def test_a_point_stands_under_the_top_of_its_arch(found):
    its = found.map
    for along_m, range_m in PLACES_M:
        near = np.abs(its.along_m - along_m) < 0.02
        row = its.amplitude[near].max(axis=0)
        around = np.abs(its.range_m - range_m) < 0.05
        top_m = its.range_m[around][np.argmax(row[around])]
        assert abs(top_m - range_m) <= its.range_m[1] - its.range_m[0]


def test_a_wrong_speed_blurs_and_is_told(run, found):
    wrong = focus_of(run, speed_m_s=0.96 * SPEED_M_S)
    for blurred, sharp in zip(wrong.points[1:], found.points[1:], strict=True):
        assert blurred.width_along_m > 1.5 * sharp.width_along_m
        assert blurred.strength_db < sharp.strength_db - 1
        assert not blurred.sharp
    assert any("it is sharpest at 0.2" in words for words in wrong.cautions)
    away_m_s = wrong.speed.sharpest_m_s - SPEED_M_S
    assert abs(away_m_s) < 2 * wrong.speed.u_sharpest_m_s
    right = focus_of(run, speed_m_s=SPEED_M_S, u_speed_m_s=0.001)
    assert not right.cautions


CHANGE_M_S2, NEAREST_S, UNEVEN_M = 0.04, 2.0, 0.6


def went_m(run_s):
    """Drawn by hand: as fast as the others as it is square ahead, and faster all the way."""
    first_m_s = SPEED_M_S - CHANGE_M_S2 * NEAREST_S
    return first_m_s * run_s + CHANGE_M_S2 * run_s**2 / 2


@pytest.fixture(scope="module")
def uneven():
    with bench([(went_m(NEAREST_S), UNEVEN_M)]) as its:
        its.front_end.changes.begin("hand", in_the_hand(0, lambda s: (0.0, went_m(s), 0.0)))
        return its.ping(200)


@pytest.mark.parametrize("given", [False, True], ids=["found", "given"])
def test_a_way_that_was_not_even_is_told_and_its_numbers_hold_that(uneven, given):
    found = focus_of(uneven, speed_m_s=SPEED_M_S if given else None, u_speed_m_s=0.002)
    told = focus_answer(found)
    assert abs(told["change_m_s2"] - CHANGE_M_S2) < 2 * told["u_change_m_s2"]
    assert told["u_change_m_s2"] < 0.05 * CHANGE_M_S2
    assert any("its way was not even" in words for words in found.cautions)
    # All speeds that it had while it was in the beam.
    half_s = UNEVEN_M * math.tan(found.way.half_angle_rad) / SPEED_M_S
    for since_s in (-half_s, 0.0, half_s):
        its_m_s = SPEED_M_S + CHANGE_M_S2 * since_s
        assert abs(found.speed.speed_m_s - its_m_s) < 2 * found.speed.u_speed_m_s
    point = max(found.points, key=lambda p: p.strength_db)
    assert abs(point.point.range_m - UNEVEN_M) < 2 * point.u_range_m
    assert abs(point.point.along_m - went_m(NEAREST_S)) < 2 * point.u_along_m


def test_an_even_way_is_not_called_uneven(found):
    assert found.speed.change is None
    assert focus_answer(found)["change_m_s2"] is None


def test_a_narrow_band_s_range_is_as_unsure_as_the_speed_makes_it():
    # A tone's range is told by the bend of its arch alone, which goes by v²/R.
    tone = {"kind": "tone", "centre_hz": 120e3, "duration_s": 0.0006}
    with bench([(0.3, 0.6)], plan={**PLAN, "pulse": tone}) as its:
        run = its.ping(120)
    (point,) = focus_of(run, speed_m_s=SPEED_M_S, u_speed_m_s=0.01 * SPEED_M_S).points
    (faster,) = focus_of(run, speed_m_s=1.01 * SPEED_M_S).points
    moved_m = faster.point.range_m - point.point.range_m
    assert moved_m > 0.01 * 0.6
    assert moved_m < 1.05 * point.u_range_m


def test_a_map_made_in_pieces_is_the_whole_one(run, monkeypatch):
    whole = focus_of(run, speed_m_s=SPEED_M_S, to_m=0.8)
    monkeypatch.setattr(mapping, "PIECE_PINGS", 100)
    parts = focus_of(run, speed_m_s=SPEED_M_S, to_m=0.8)
    # Both round in single precision, by other lengths of FFT.
    assert np.abs(parts.map.amplitude - whole.map.amplitude).max() < (
        1e-5 * whole.map.amplitude.max()
    )
    assert [p.point.along_m for p in parts.points] == pytest.approx(
        [p.point.along_m for p in whole.points], abs=1e-7
    )


def test_pings_too_far_apart_are_told_and_added_up_no_farther_than_they_tell(run):
    few = run.results[::4]
    with bench(plan={**PLAN, "timing": {**PLAN["timing"], "ping_interval_s": 0.08}}) as its:
        seldom = its.ping(75)
    assert len(seldom.results) == len(few)
    found = focus_of(seldom, speed_m_s=SPEED_M_S)
    assert found.limited_by_pings
    # Pings 20 mm apart and waves of 12.35 mm: asin(12.35/80).
    assert math.degrees(found.way.half_angle_rad) == pytest.approx(8.88, abs=0.05)
    assert any("pings are 20.0 mm apart" in words for words in found.cautions)
    for placed in found.points:
        # 0.886 of their spacing, of an even aperture; the beam rounds it.
        assert 0.8 * 0.02 < placed.width_along_m < 1.2 * 0.02
        assert placed.copies_db is not None


def test_a_short_recording_is_as_fine_as_its_own_length_allows_and_says_so(run):
    # From the first ping to shortly after the nearest ball was square ahead: half of its arch.
    half = run_with(run.receiver, run.results[:86])
    found = focus_of(half, speed_m_s=SPEED_M_S, to_m=0.4)
    (placed,) = found.points
    assert placed.cut
    # Half of the sines that the beam lights: about twice as wide as the disc alone would be.
    assert placed.width_along_m > 1.3 * disc_width_m()
    assert placed.width_along_m == pytest.approx(placed.due_along_m, rel=0.2)
    assert abs(placed.point.along_m - PLACES_M[0][0]) < 2 * placed.u_along_m
    assert "its arch is cut off" in "\n".join(focus_lines(found))


def test_what_stands_still_is_no_point_where_targets_moved():
    with bench([(0.3, 0.6)], still=(0.8,)) as its:
        run = its.ping(130)
    moved = focus_of(run, speed_m_s=SPEED_M_S)
    assert [round(p.point.range_m, 2) for p in moved.points] == [0.6]
    # Of a pair that moved nothing stands still, and nothing is taken away.
    pair = focus_of(run, speed_m_s=SPEED_M_S, moved="pair")
    at = int(np.argmin(np.abs(pair.map.range_m - 0.79)))
    assert pair.map.amplitude[:, at].max() > 10 * moved.map.amplitude[:, at].max()


def test_what_is_too_faint_for_any_single_ping_comes_into_focus():
    with bench([(0.3, 0.6)], noise_db=-40.0) as its:
        run = its.ping(120)
    assert not any(result.echoes for result in run.results)
    found = focus_of(run, speed_m_s=SPEED_M_S, u_speed_m_s=0.001)
    (point,) = found.points
    assert abs(point.point.along_m - 0.3) < 2 * point.u_along_m
    assert abs(point.point.range_m - 0.6) < 2 * point.u_range_m


def test_a_face_that_is_no_point_there_claims_no_place_along():
    # a²/λ = 73 mm: ten times that is 0.73 m.
    plan = {**PLAN, "transducer": {"shape": "piston", "radius_m": 0.03}}
    with bench([(0.3, 0.5)], plan=plan) as its:
        run = its.ping(120)
    found = focus_of(run, speed_m_s=SPEED_M_S)
    assert found.points
    assert all(p.near for p in found.points)
    with pytest.raises(RecordingError, match=r"nothing that passed beyond 0\.73 m"):
        focus_of(run)
    assert "nearer than 0.73 m this face is no point" in " ".join(found.cautions)
    told = focus_answer(found)["points"][0]
    assert told["u_along_m"] is None
    assert told["width_along_m"] is None
    assert "too near for this face" in "\n".join(focus_lines(found))


def test_a_run_without_a_pass_asks_for_the_speed():
    with bench([], still=(0.5,)) as its:
        run = its.ping(12)
    with pytest.raises(RecordingError, match=r"nothing that passed.*--speed-m-s"):
        focus_of(run)
    with pytest.raises(RecordingError, match="no range from 2 to inf m"):
        focus_of(run, from_m=2.0)


def test_a_plan_that_begins_at_no_range_is_focused_from_the_pulse_s_own_width_on():
    with bench(plan={**PLAN, "receiver": {**PLAN["receiver"], "range_start_m": 0.0}}) as its:
        run = its.ping(12)
    found = focus_of(run, speed_m_s=SPEED_M_S, to_m=0.2)
    assert 0 < found.map.range_m[0] < found.finest_range_m
    with pytest.raises(RecordingError, match="no range"):
        focus_of(run, speed_m_s=SPEED_M_S, to_m=1e-4)


def test_a_full_disk_is_told_with_a_way_out(run, monkeypatch):
    class Full:
        def write(self, *_):
            raise OSError(errno.ENOSPC, "No space left on device")

        def close(self):
            pass

    monkeypatch.setattr(kept.tempfile, "TemporaryFile", Full)
    with pytest.raises(StorageError, match=r"No space left on device\); make room"):
        focus_of(run)


def test_the_command_reads_a_recording(tmp_path, capsys):
    with bench([(0.2, 0.3)]) as its:
        its.ping(90, record=str(tmp_path / "ball"))
    recording, picture = str(tmp_path / "ball.sigmf-meta"), tmp_path / "ball.png"
    assert main(["focus", recording, "--json", "--picture", str(picture)]) == 0
    answer = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert picture.stat().st_size
    (point,) = answer["points"]
    assert point["along_m"] == pytest.approx(0.2, abs=2 * point["u_along_m"])
    assert point["range_m"] == pytest.approx(0.3, abs=2 * point["u_range_m"])
    assert answer["speed_found"]
    sharpest = max(answer["sharpness"], key=lambda one: one["share_in_step"])
    assert sharpest["speed_m_s"] == pytest.approx(SPEED_M_S, rel=0.03)
    assert main(["focus", recording, "--speed-m-s", "0.25", "--looks", "down"]) == 0
    assert "as given" in capsys.readouterr().out
