"""The sketch: what really stands there, to scale; what is inferred, as arcs and never as dots."""

import dataclasses
import math

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.markers import TICKDOWN, TICKLEFT, TICKUP
from matplotlib.text import Text

from rig.run.run import Origin, Run
from rig.show.pictures.bench_picture import BenchPicture, draw_picture
from rig.show.pictures.page import CONE
from rig.show.pictures.standing import BODY
from rig.tank.scene import scene_from_table
from rig.tank.truth import HeldScene, Truth

BALL = {"body": "sphere", "radius_m": 0.06, "position_m": [2.0, -0.15, 0.1]}


def scene_of(*targets, **tables):
    medium = {"medium": {"sound_speed_m_s": 343.963}, "transducer": {"radius_m": 0.03}}
    return scene_from_table({**medium, "target": list(targets), **tables})


def picture_of(bench, results, *, scene=None, history_pings=20, **how):
    """The picture, shown and drawn, and the dots of it."""
    figure = Figure(figsize=(12.8, 7.2), dpi=100)
    FigureCanvasAgg(figure)
    run = dataclasses.replace(bench, scene=scene).run()
    pointed = {"pointed_range_m": how.pop("pointed_range_m", None)}
    picture = BenchPicture(figure, run, history_pings=history_pings, **how)
    picture.show(results, **pointed)
    return picture


def dots_of(picture):
    canvas = picture.panels[0].figure.canvas
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())


def views_of(picture):
    return (picture.panels[0], *picture.panels[3:])


def shapes_in(axes, colour=BODY):
    """The outlines of bodies: what is filled with their colour."""
    wanted = to_rgba(colour)
    return [
        path.vertices[:-1]
        for collection in axes.collections
        if isinstance(collection, PolyCollection) and collection.get_visible()
        if len(collection.get_facecolor()) and tuple(collection.get_facecolor()[0]) == wanted
        for path in collection.get_paths()
    ]


def words_of(picture):
    figure = picture.panels[0].figure
    texts = [t.get_text() for t in figure.findobj(Text) if t.get_visible()]
    return " ".join(" ".join(texts).split())


@pytest.mark.parametrize("looks", ["along", "down"])
def test_a_ball_stands_where_it_is_and_is_as_large_as_it_is(air, rng, looks):
    picture = picture_of(air, air.passing(2, rng), scene=scene_of(BALL), looks=looks)
    # Its front lies at (2, −0.15, 0.1); its middle 0.06 m behind, on the line from the pair.
    far = 1 + 0.06 / math.sqrt(2.0**2 + 0.15**2 + 0.1**2)
    for axes, beside_m in zip(views_of(picture), (0.1, -0.15), strict=True):
        (outline,) = shapes_in(axes)
        along, beside = outline.T if looks == "along" else outline.T[::-1]
        # 48 corners lie on the circle, four of them on its axes: exact but for rounding, and the
        # middle as the tape has it. Half a millimetre is a tenth of a dot.
        assert (along.min() + along.max()) / 2 == pytest.approx(2.0 * far, abs=2e-4)
        assert (beside.min() + beside.max()) / 2 == pytest.approx(beside_m * far, abs=2e-4)
        assert np.ptp(along) == pytest.approx(0.12, rel=0.003)
        assert np.ptp(beside) == pytest.approx(0.12, rel=0.003)


@pytest.mark.parametrize("looks", ["along", "down"])
def test_both_views_are_to_scale(air, rng, looks):
    picture = picture_of(air, air.passing(2, rng), scene=scene_of(BALL), looks=looks)
    for axes in views_of(picture):
        origin, right, up = axes.transData.transform([(0, 0), (1, 0), (0, 1)])
        assert abs(right - origin)[0] == pytest.approx(abs(up - origin)[1], rel=1e-9)


def test_what_is_inferred_is_broken_arcs_and_no_dot_on_the_axis(air, rng):
    results = [air.ping(0, [(1.0, -30.0), (2.0, -40.0)], rng)]
    for scene in (None, scene_of(BALL)):
        picture = picture_of(air, results, scene=scene)
        for axes in views_of(picture):
            markers = {line.get_marker() for line in axes.lines if line.get_visible()}
            assert markers <= {"None", None, "", TICKLEFT, TICKDOWN, TICKUP}
            broken = [
                c
                for c in axes.collections
                if isinstance(c, LineCollection) and c.get_linestyle()[0][1] is not None
            ]
            (arcs,) = broken
            # From the side: a circle about the pair. From above: as far to both ends of the
            # baseline together as there and back from the front of the arc.
            apart_m = 0.0 if axes is picture.panels[0] else air.plan.geometry.baseline_m / 2
            for arc, range_m in zip(arcs.get_segments(), (1.0, 2.0), strict=True):
                way_m = np.hypot(arc[:, 0], arc[:, 1] - apart_m) + np.hypot(
                    arc[:, 0], arc[:, 1] + apart_m
                )
                assert way_m == pytest.approx(2 * math.hypot(range_m, apart_m), rel=1e-9)


def test_a_ball_far_to_the_side_is_told_at_the_edge_and_not_in_the_cone(air, rng):
    beside = {**BALL, "position_m": [1.5, 1.7, 0.0]}
    picture = picture_of(air, air.passing(2, rng), scene=scene_of(beside))
    _, above = views_of(picture)
    assert not shapes_in(above)
    # Its middle: 1.7 m, and 6 cm more of 2.27 m.
    assert "1.7 m to the left" in words_of(picture)


def test_a_way_leads_to_where_the_body_is(air, rng):
    moving = {**BALL, "position_m": [2.0, -0.2, 0.0], "velocity_m_s": [0.0, 0.04, 0.0]}
    results = air.passing(9, rng)
    picture = picture_of(air, results, scene=scene_of(moving))
    above = views_of(picture)[1]
    (way,) = [
        s
        for c in above.collections
        if isinstance(c, LineCollection) and c.get_linestyle()[0][1] is None
        for s in c.get_segments()
    ]
    # 8 intervals of 0.25 s at 0.04 m/s, stretched by what lies behind the front: 6 cm of 2 m.
    assert np.ptp(way[:, 1]) == pytest.approx(0.08 * (1 + 0.06 / 2.0), rel=1e-3)
    (outline,) = shapes_in(above)
    assert way[-1] == pytest.approx((outline.min(axis=0) + outline.max(axis=0)) / 2, abs=2e-4)


def test_what_has_left_the_walls_is_not_drawn(air, rng):
    box = {"size_m": [6.0, 1.0, 2.0], "pair_m": [0.5, 0.5, 1.0]}
    leaving = {**BALL, "position_m": [2.0, 0.3, 0.0], "velocity_m_s": [0.0, 0.4, 0.0]}
    scene = scene_of(leaving, walls=box)
    results = air.passing(9, rng)
    assert len(shapes_in(views_of(picture_of(air, results[:2], scene=scene))[1])) == 1
    # At the last ping, 2 s later, it would be 1.1 m to the left, and the wall stands at 0.5.
    assert not shapes_in(views_of(picture_of(air, results, scene=scene))[1])


def test_a_covered_scene_gives_nothing_away(air, rng):
    results = air.passing(5, rng)
    other = scene_of(
        {**BALL, "position_m": [1.1, 0.3, 0.0]},
        {"body": "plate", "width_m": 0.3, "height_m": 0.2, "position_m": [3.0, 0.0, 0.0]},
    )
    one, two = (
        dots_of(picture_of(air, results, scene=scene, covered=True))
        for scene in (scene_of(BALL), other)
    )
    assert (one == two).all()


def test_who_must_find_the_echoes_is_not_shown_what_stands_there(air, rng):
    figure = Figure(figsize=(12.8, 7.2), dpi=100)
    FigureCanvasAgg(figure)
    run = dataclasses.replace(air, scene=scene_of(BALL)).run(air.passing(3, rng))
    draw_picture(figure, run, names_echoes=False)
    assert not any(shapes_in(axes) for axes in figure.axes)


def test_the_sketch_says_why_it_shows_arcs_alone(air, rng):
    results = air.passing(2, rng)
    real = dataclasses.replace(air, info=dataclasses.replace(air.info, invented=False))
    assert "A real bench does not say where." in words_of(picture_of(real, results))
    assert "What stood there was not recorded." in words_of(picture_of(air, results))
    covered = picture_of(air, results, scene=scene_of(BALL), covered=True)
    assert "What stands there is covered." in words_of(covered)
    # An exercise has no scene at hand, and keeps what stands there from its reader.
    unread = picture_of(air, results, covered=True)
    assert "What stands there is covered." in words_of(unread)
    real_sheet = picture_of(real, results, covered=True)
    assert "A real bench does not say where." in words_of(real_sheet)


@pytest.mark.parametrize("covered", [False, True], ids=["shown", "covered"])
def test_a_scene_that_names_no_transducer_has_no_cone(air, rng, covered):
    without = scene_from_table({"medium": {"sound_speed_m_s": 343.963}, "target": [BALL]})
    picture = picture_of(
        air, air.passing(2, rng), scene=without, covered=covered, pointed_range_m=1.0
    )
    words = words_of(picture)
    assert "No cone: the scene names no transducer" in words
    assert "footprint" not in words
    for axes in views_of(picture):
        # Shaded all over: up to both edges from the pair on.
        (shaded,) = shapes_in(axes, CONE)
        beside_pair = shaded[shaded[:, 0] == 0.0, 1]
        assert [beside_pair.min(), beside_pair.max()] == pytest.approx(axes.get_ylim())


@pytest.mark.parametrize("looks", ["along", "down"])
def test_a_mark_is_one_line_through_every_panel(air, rng, looks):
    picture = picture_of(
        air, air.passing(4, rng), scene=scene_of(BALL), looks=looks, pointed_range_m=1.5
    )
    down = looks == "down"
    places = [
        axes.transData.transform((0.0, 1.5) if down else (1.5, 0.0))[1 if down else 0]
        for axes in picture.panels
    ]
    assert np.ptp(places) == pytest.approx(0.0, abs=1e-6)
    for axes in picture.panels:
        x, y = axes.transData.inverted().transform(axes.transAxes.transform((0.4, 0.4)))
        assert picture.range_at(axes, x, y) == (y if down else x)


def test_a_pair_that_looks_down_has_the_same_history_newest_at_the_strip(air, rng):
    results = air.passing(12, rng, lost=[3])
    along, down = (
        picture_of(air, results, history_pings=12, looks=looks) for looks in ("along", "down")
    )
    # Each strongest of its own number of cells over 5 m: told apart to within one of the coarser.
    rows = np.ma.filled(along.panels[2].images[0].get_array(), np.nan)
    columns = np.ma.filled(down.panels[2].images[0].get_array(), np.nan)
    assert columns.shape[1] == rows.shape[0] == 12
    assert np.isnan(columns).all(axis=0).tolist() == np.isnan(rows).all(axis=1).tolist()
    for ping in (0, 5, 11):
        searched = [int(0.1 * rows.shape[1]), int(0.1 * columns.shape[0])]
        far = (np.nanargmax(rows[ping, searched[0] :]) + searched[0] + 0.5) / rows.shape[1]
        low = (np.nanargmax(columns[searched[1] :, ping]) + searched[1] + 0.5) / columns.shape[0]
        assert far == pytest.approx(low, abs=1 / columns.shape[0])
    _, strip, history = (axes.get_position() for axes in down.panels[:3])
    assert strip.x1 < history.x0
    first, last = down.panels[2].get_xlim()
    assert first < last


def test_the_plan_says_how_the_pair_looks_and_the_reader_may_choose(air, rng):
    results = air.passing(2, rng)
    geometry = dataclasses.replace(air.plan.geometry, looks="down")
    downward = dataclasses.replace(air, plan=dataclasses.replace(air.plan, geometry=geometry))
    runs_down = [
        picture.panels[0].get_ylim()[0] == pytest.approx(5.0)
        for picture in (
            picture_of(air, results),
            picture_of(air, results, looks="down"),
            picture_of(downward, results),
            picture_of(downward, results, looks="along"),
        )
    ]
    assert runs_down == [False, True, True, False]


def test_a_picture_fits_until_more_of_its_scene_changes_than_bodies(air):
    tilted = scene_of(BALL, transducer={"radius_m": 0.03, "tilt_deg": 10.0})
    truth = Truth(air.plan, [HeldScene(scene=scene_of(BALL))])
    truth.change(scene_of(), from_ping=3)
    truth.change(tilted, from_ping=6)
    run = Run(air.run().receiver, origin=Origin(truth=truth))
    figures = [Figure(figsize=(12.8, 7.2), dpi=100) for _ in range(2)]
    for figure in figures:
        FigureCanvasAgg(figure)
    level, up = (
        BenchPicture(figure, run, ping=n) for figure, n in zip(figures, (0, 6), strict=True)
    )
    assert [level.fits(ping) for ping in (0, 3, 5, 6, 9)] == [True, True, True, False, False]
    assert [up.fits(ping) for ping in (5, 6)] == [False, True]
    # The tilted cone's edges lie 10° higher, from the side alone.
    edges = [
        sorted(
            math.degrees(math.atan2(y, x))
            for line in picture.panels[0].lines
            if len(line.get_xydata()) == 2
            for x, y in [line.get_xydata()[-1]]
            if x > 1.5 and y
        )
        for picture in (level, up)
    ]
    assert np.subtract(edges[1], edges[0]) == pytest.approx([10.0, 10.0], abs=0.1)


def words_on(picture):
    return [text.get_text() for text in picture.panels[0].figure.texts]


def test_walls_beside_the_axis_are_named_in_the_view_or_told_from_beyond_it(air):
    # The view from above reaches less than 4 m to either side, that from the side more than 0.3.
    box = {"size_m": [9.0, 6.0, 0.6], "pair_m": [0.1, 2.0, 0.3], "left": 0.4, "above": 0.4}
    words = words_on(picture_of(air, [], scene=scene_of(walls=box)))
    assert "wall 4.00 m left" in words
    # The one to the right sends nothing back, and lies beyond what is drawn.
    assert not any("right" in each for each in words if each.startswith("wall"))
    # Floor and ceiling, 0.3 m off, stand in the view from the side.
    assert words.count("wall") == 2


@pytest.mark.parametrize("looks", ["along", "down"])
@pytest.mark.parametrize("place_m", [[2.0, 1.2, 0.0], [2.0, 0.0, 0.1]])
def test_both_views_tell_lengths_in_one_unit(air, looks, place_m):
    body = {"body": "sphere", "radius_m": 0.05, "position_m": place_m}
    words = words_on(picture_of(air, [], scene=scene_of(body), looks=looks))
    sides = [each for each in words if each.startswith(("height /", "across /", "forward /"))]
    assert len(sides) == 2
    assert len({side[-2:] for side in sides}) == 1
