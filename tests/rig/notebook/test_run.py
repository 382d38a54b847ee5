"""Runs as Python has them, held against the scene, the plan and the command."""

import json
import math
import sys
from pathlib import Path

import numpy as np
import pytest

import rig
from rig.cli import main
from rig.run.results import PingResult

BALL_M = 1.25
ROOT = Path(__file__).parents[3]
SHIPPED = ROOT / "recordings" / "bench-ball.sigmf-meta"


def a_bench():
    plan = rig.plan_from_table(
        {"pulse": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01}}
    )
    ball = {"body": "sphere", "radius_m": 0.05, "position_m": [BALL_M, 0.0, 0.0]}
    scene = rig.scene_from_table(
        {"medium": {"sound_speed_m_s": 343.96}, "noise": {"level_db": -60.0}, "target": [ball]}
    )
    return rig.open_bench(plan, scene=scene)


@pytest.fixture(scope="module")
def run():
    with a_bench() as bench:
        return bench.ping(8)


def test_the_ball_is_where_the_scene_has_it(run):
    (echo,) = run.echoes
    # The interval holds the truth 95 times in 100; the seed is fixed. The plan's sound speed is
    # 0.03 m/s more than the scene's, a tenth of a millimetre, within it.
    assert abs(echo.range_m - BALL_M) < 2 * echo.u_range_m
    assert repr(run) == "<Run of 8 pings, 0 lost; echoes at 1.250 m>"


def test_a_recording_reads_as_the_command_reads_it(capsys):
    run = rig.read(SHIPPED)
    assert main(["measure", str(SHIPPED), "--json"]) == 0
    assert run.answer() == json.loads(capsys.readouterr().out.splitlines()[-1])
    assert [p.passage.kind for p in run.passings] == [p["kind"] for p in run.answer()["passes"]]


def test_what_is_recorded_reads_the_same(tmp_path):
    with a_bench() as bench:
        run = bench.ping(3, record=str(tmp_path / "monday"))
    again = rig.read(tmp_path / "monday.sigmf-meta")
    assert isinstance(again, rig.Run)
    assert again.echoes == run.echoes
    assert again.origin.name == "monday.sigmf-meta"


def test_echoes_are_a_table(run):
    frame = run.echoes.to_pandas()
    assert len(frame) == 1
    assert frame.range_m[0] == run.echoes[0].range_m
    assert frame.u_range_m[0] == run.echoes[0].u_range_m
    assert "budget" not in frame
    assert list(rig.Echoes().to_pandas().columns) == list(frame.columns)
    html = run.echoes._repr_html_()
    assert html.count("<tr") == 2
    assert f"{run.echoes[0].range_m:.4f}" in html
    assert "No echo" in rig.Echoes()._repr_html_()


def test_the_history_is_an_array_with_range_and_time(run):
    history = run.history
    assert history.strength_db.shape == (8, history.range_m.size)
    # The plan's interval of 0.25 s, in whole samples: no rounding at 48 kHz.
    assert history.time_s == pytest.approx(0.25 * np.arange(8), abs=1e-12)
    assert (np.diff(history.range_m) > 0).all()
    assert history.range_m[-1] <= 5.0  # the plan's farthest
    echo = run.echoes[0]
    place = int(np.argmin(abs(history.range_m - echo.range_m)))
    near = history.strength_db[:, place - 3 : place + 4].max(axis=1)
    # A bin is at most half a bin off the peak: of a band of 8 kHz and bins no wider than its
    # inverse that is sinc(1/2), 3.9 dB, at the worst. One ping's noise moves the level by
    # 8.7 dB / √(2E/N0), 0.1 dB at the 38 dB that a single one has here; five of that allowed.
    assert (near <= echo.strength_db + 0.5).all()
    assert (near >= echo.strength_db - 4.0).all()


def test_a_bin_s_range_is_the_height_of_the_triangle(run):
    # By hand, from the geometry: half the way is a long side, half the baseline the short one.
    history, profile = run.history, run.results[0].profile
    way_m = profile.delay_s * run.receiver.sound_speed_m_s
    baseline_m = run.plan.geometry.baseline_m
    ahead = way_m >= baseline_m
    by_hand_m = np.sqrt((way_m[ahead] / 2) ** 2 - (baseline_m / 2) ** 2)
    count = history.range_m.size
    assert history.range_m == pytest.approx(by_hand_m[:count], abs=1e-9)
    assert by_hand_m[count] > run.plan.receiver.range_stop_m


def test_a_lost_ping_is_no_number_in_the_history():
    with a_bench() as bench:
        run = bench.ping(2)
    run.take(PingResult(index=2, sent_s=0.5, lost=True, reason="said so"))
    history = run.history
    assert history.time_s[-1] == 0.5
    assert np.isnan(history.strength_db).all(axis=1).tolist() == [False, False, True]


def test_a_run_in_which_nothing_was_heard_has_an_empty_history():
    with a_bench() as bench:
        run = bench.run()
    assert run.history.strength_db.shape == (0, 0)
    assert repr(run) == "<Run of 0 pings, 0 lost; no echo above the threshold>"


def test_the_history_goes_to_xarray_with_its_coordinates(run):
    array = run.history.to_xarray()
    assert array.dims == ("time_s", "range_m")
    assert array.attrs["units"] == "dB re full scale"
    loudest = array.sel(range_m=slice(0.5, 5.0)).max("time_s").idxmax("range_m")
    # A bin's width at the most, c / 2B with B = 8 kHz: 2.1 cm.
    assert float(loudest) == pytest.approx(BALL_M, abs=0.022)


@pytest.mark.parametrize(
    ("library", "ask"),
    [("pandas", lambda r: r.echoes.to_pandas()), ("xarray", lambda r: r.history.to_xarray())],
    ids=["pandas", "xarray"],
)
def test_a_library_that_is_missing_is_named_with_how_to_get_it(run, monkeypatch, library, ask):
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(ImportError, match=rf"^{library}: is not installed.*pip install {library}$"):
        ask(run)


def test_a_notebook_shows_picture_and_echoes(run):
    html = run._repr_html_()
    assert html.startswith('<figure><img src="data:image/png;base64,iVBOR')
    assert "invented scene" in html
    assert run.echoes._repr_html_() in html


def test_the_figure_is_matplotlib_s_own(run, tmp_path):
    from matplotlib.figure import Figure

    figure = run.figure(note="mine")
    assert isinstance(figure, Figure)
    figure.savefig(tmp_path / "run.png")
    assert (tmp_path / "run.png").read_bytes().startswith(b"\x89PNG")
    assert "mine" in {text.get_text() for text in figure.texts}


def test_a_report_of_pings_that_were_not_recorded(run, tmp_path):
    page, *tables = run.report(tmp_path / "monday.html", source_level_db=-12.0)
    text = page.read_text(encoding="utf-8")
    assert page == tmp_path / "monday.html"
    assert "pings sent now" in text
    assert "Invented scene" in text
    assert "as given" in text
    assert {"monday-echoes.csv", "monday-pings.csv"} <= {table.name for table in tables}


def test_a_report_into_a_folder_is_named_after_its_recording(tmp_path):
    page, *_ = rig.read(SHIPPED).report(tmp_path)
    assert page.name == "bench-ball-report.html"


def test_strengths_need_a_source_level(run):
    with pytest.raises(rig.CalibrationError, match="source_level_db: found none"):
        run.strengths()


def test_strengths_are_those_of_the_command(tmp_path, capsys):
    with a_bench() as bench:
        run = bench.ping(3, record=str(tmp_path / "ball"))
    given = ["--source-level-db", "-12", "--angle-deg", "3"]
    assert main(["strength", str(tmp_path / "ball.sigmf-meta"), *given, "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out.splitlines()[-1])["targets"]
    (target,) = run.strengths(source_level_db=-12.0, angle_rad=math.radians(3.0))
    assert target.known_db == told["known_db"]
    assert target.u_known_db == told["u_known_db"]


def test_a_beam_asks_for_a_target_that_crosses_it(run):
    with pytest.raises(rig.RecordingError, match="beam cannot be fitted"):
        run.beam(rig.SteadyPass(speed_m_s=0.1))
