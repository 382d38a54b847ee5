"""Hands in a real window on a virtual screen, moved by mouse and keys from outside."""

import os
import pathlib
import subprocess
import sys

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from typist import PATIENCE_S
from virtual_screen import eventually

from rig.bench.plan import plan_from_table
from rig.run.opening import open_bench, open_replay
from rig.show.pictures.bench_picture import BenchPicture
from rig.show.window.kept_pings import HISTORY_ROWS
from rig.show.window.rings import views_of
from rig.tank.changes import FASTEST_HAND_M_S
from rig.tank.scene import read_scene, scene_from_table
from rig.tank.scene_text import rounded
from tests.rig.show.window.test_hand_drawings import BESIDE_M, PLAN, SCENE

pytestmark = pytest.mark.window

ROOT = pathlib.Path(__file__).parents[4]
BODY_RGB = (0x9A, 0xA5, 0xB5)

CHILD = """
import pathlib, sys
from rig.bench.plan import plan_from_table
from rig.run.opening import open_bench
from rig.show.window.live import show_live
from rig.show.window.pace import paced
from rig.tank.scene import scene_from_table
from tests.rig.show.window.test_hand_drawings import PLAN, SCENE

folder = pathlib.Path(sys.argv[1])
plan = plan_from_table({**PLAN, "timing": {**PLAN["timing"], "ping_interval_s": 0.2}})
with open_bench(plan, scene=scene_from_table(SCENE)) as bench:
    run = bench.run()
    results = bench.over(run, 100_000, record=str(folder / "by-hand"))
    show_live(
        run,
        paced(results, 0.2, by_hand=True),
        picture_path=folder / "shot.png",
        changes=bench.front_end.changes,
    )
"""


def on_screen(along_m, across_m):
    """Where the window draws a place, seen from above: 1280 × 720 dots, counted from the top."""
    plan = plan_from_table({**PLAN, "timing": {**PLAN["timing"], "ping_interval_s": 0.2}})
    figure = Figure(figsize=(12.8, 7.2), dpi=100)
    FigureCanvasAgg(figure)
    with open_bench(plan, scene=scene_from_table(SCENE)) as bench:
        picture = BenchPicture(figure, bench.run(), history_pings=HISTORY_ROWS)
    (above,) = [view for view in views_of(picture) if view.across == 1]
    x, y = above.dots((along_m, across_m, 0.0))
    return round(x), round(720 - y)


def test_a_body_is_drawn_put_in_undone_and_saved_by_mouse_and_keys(display, tmp_path):
    paths = os.pathsep.join([str(ROOT), str(ROOT / "tests" / "shared")])
    environment = {**os.environ, "DISPLAY": display.name, "PYTHONPATH": paths}
    words = [sys.executable, "-W", "error", "-c", CHILD, str(tmp_path)]
    child = subprocess.Popen(words, env=environment, cwd=tmp_path, stderr=subprocess.PIPE)

    def xdotool(*words):
        done = subprocess.run(
            ["xdotool", *map(str, words)],
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
        return done.stdout

    def truth():
        with open_replay(tmp_path / "by-hand") as bench:
            return bench.origin.truth

    def a_window():
        assert child.poll() is None, child.stderr.read()
        return xdotool("search", "--name", "echobench").split()[:1]

    def some_pings():
        meta = tmp_path / "by-hand.sigmf-meta"
        return meta.exists() and meta.read_text().count("echobench:index") > 4

    def drawn():
        return (display.rgb() == BODY_RGB).all(axis=2).any()

    try:
        number = eventually(a_window)
        eventually(some_pings)
        eventually(drawn)

        def key(name):
            xdotool("key", "--window", *number, name)

        # Its middle is a radius behind its front. Drawn across the axis, a dot at a time.
        (x, y0), (_, y1) = on_screen(0.52, -1.04 * BESIDE_M), on_screen(0.52, 0.15)
        step = 1 if y1 > y0 else -1
        way = [w for y in range(y0, y1, step) for w in ("mousemove", x, y, "sleep", 0.02)]
        xdotool("mousemove", x, y0, "mousedown", 1, "sleep", 0.3, *way, "sleep", 0.6, "mouseup", 1)

        def it_hangs_on_the_other_side():
            body = truth().scenes[-1].scene.target[0]
            return not body.moves and body.position_m[1] > 0.1

        eventually(it_hangs_on_the_other_side)
        drawn = truth()
        places = np.array([held.scene.target[0].position_m for held in drawn.scenes])
        # From the first dot to the last, each 2.5 mm; it never left its range, nor leapt.
        moved_m = (abs(y1 - y0) - 1) * 2.08 / 818
        assert places[-1, 1] - places[0, 1] == pytest.approx(moved_m, abs=0.003)
        assert np.ptp(places[:, 0]) < 0.003
        speeds_m_s = [np.linalg.norm(h.scene.target[0].velocity_m_s) for h in drawn.scenes]
        assert 0 < max(speeds_m_s) <= FASTEST_HAND_M_S

        def bodies(count):
            def there():
                return len(truth().scenes[-1].scene.target) == count

            return there

        key("1")
        eventually(bodies(2))
        key("2")
        eventually(bodies(3))
        key("u")
        eventually(bodies(2))

        def saved_as_it_stands():
            # What is shown is saved, and a busy machine shows it later than it is recorded.
            key("v")
            saved = set(tmp_path.glob("shot-scene*.toml")) - set(tmp_path.glob("*-plan.toml"))
            now = rounded(truth().scenes[-1].scene)
            return any(read_scene(each) == now for each in saved)

        eventually(saved_as_it_stands)
        key("r")
        eventually(lambda: truth().scenes[-1].scene == scene_from_table(SCENE))
        key("q")
        assert child.wait(PATIENCE_S) == 0
        assert child.stderr.read() == b""
    finally:
        child.kill()
        child.wait()
        child.stderr.close()
