"""The drawing: exact, legible, whole, the same wherever it is drawn."""

import dataclasses
import itertools
import math
import os
import pathlib
import subprocess
import sys

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from typist import PATIENCE_S

from dsp.ping.pulse.profiles import EchoProfile
from rig.errors import StorageError
from rig.run.results import LateEcho
from rig.show.pictures.bench_picture import BenchPicture, draw_picture
from rig.show.pictures.saving import check_picture_path, save_drawn
from rig.tank.built_in import built_in
from rig.tank.scene import scene_from_table

SIZES = {"1280x720": 100, "1920x1080": 150}  # dots per inch of 12.8 × 7.2 inches


def drawn(
    bench,
    results,
    *,
    dpi=100,
    inches=(12.8, 7.2),
    history_pings=60,
    note="",
    scene=None,
    covered=False,
    looks=None,
    painted=False,
    **how,
):
    """Lay a picture out, and paint it only for those who look at its dots."""
    figure = Figure(figsize=inches, dpi=dpi)
    FigureCanvasAgg(figure)
    run = dataclasses.replace(bench, scene=scene).run()
    picture = BenchPicture(
        figure, run, history_pings=history_pings, note=note, covered=covered, looks=looks
    )
    picture.show(results, **how)
    if painted:
        figure.canvas.draw()
    else:
        figure.draw_without_rendering()
    return figure, picture


def saved(path, bench, results, **how):
    run = bench.run(results)
    save_drawn(path, lambda figure: draw_picture(figure, run), **how)


def crowded(bench, rng):
    stop_m = bench.plan.receiver.range_stop_m
    targets = [(stop_m * (0.08 + 0.027 * i), -40 - 0.3 * i) for i in range(34)]
    pings = [bench.ping(i, targets, rng) for i in range(8)]
    return [*pings[:-1], dataclasses.replace(pings[-1], clipped=True)]


def lost_for_long_reasons(bench, rng):
    reason = "the sound server moved the samples by some and nobody can say when; " * 4
    return [bench.ping(i, [], rng, lost=reason) for i in range(20)]


def late(bench, rng):
    """As crowded, and of every three echoes one late and one not told."""
    *before, newest = crowded(bench, rng)
    seen = newest.echoes
    of_others = tuple(
        LateEcho(
            echo=dataclasses.replace(e, range_m=e.range_m + 5.16), pings_before=1, seems_m=e.range_m
        )
        for e in seen[1::3]
    )
    return [
        *before,
        dataclasses.replace(newest, echoes=seen[::3], late=of_others, untold=seen[2::3]),
    ]


SCENES = {
    "late": late,
    "one pass": lambda bench, rng: bench.passing(40, rng, lost=[5, 6, 30]),
    "crowded": crowded,
    "no echoes": lambda bench, rng: [bench.ping(i, [], rng) for i in range(4)],
    "all lost": lost_for_long_reasons,
    "no pings": lambda *_: [],
}


def boxes_of(figure):
    """Where each visible text stands, in dots."""
    renderer = figure.canvas.get_renderer()
    texts = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]
    # A tick outside of its axis' ends is kept by matplotlib but never drawn.
    drawn_ticks = {
        id(label)
        for axes in figure.axes
        for axis in (axes.xaxis, axes.yaxis)
        for tick in axis._update_ticks()
        for label in (tick.label1, tick.label2)
    }
    all_ticks = {
        id(label)
        for axes in figure.axes
        for axis in (axes.xaxis, axes.yaxis)
        for tick in axis.get_major_ticks()
        for label in (tick.label1, tick.label2)
    }
    shown = [t for t in texts if id(t) not in all_ticks or id(t) in drawn_ticks]
    return [(t.get_text(), t.get_window_extent(renderer)) for t in shown]


def test_a_late_echo_is_crossed_and_named_and_has_no_ring_and_no_arc(air, rng):
    results = late(air, rng)
    crossed = results[-1]
    figure, picture = drawn(air, results)
    lines = {line.get_marker(): line for line in picture.panels[1].lines}
    at_m = {marker: list(line.get_xdata()) for marker, line in lines.items()}
    assert at_m["X"] == pytest.approx([one.seems_m for one in crossed.late])
    assert at_m["D"] == pytest.approx([echo.range_m for echo in crossed.untold])
    assert at_m["o"] == pytest.approx([echo.range_m for echo in crossed.echoes])
    words = " ".join(text for text, _ in boxes_of(figure)).replace("\n", " ")
    assert f"from {crossed.late[0].echo.range_m:.3f} m" in words


# An echo can be marked where there is one. A larger picture is the same page in smaller dots:
# what has the most words is laid out there too.
LOOKS = [(scene, False, 100) for scene in SCENES]
LOOKS += [("one pass", True, 100), ("crowded", True, 100), ("crowded", True, 150)]


@pytest.mark.parametrize(("scene", "marked", "dpi"), LOOKS)
@pytest.mark.parametrize("bench_name", ["air", "water"])
def test_no_text_is_cut_off_or_lies_on_another(request, rng, bench_name, scene, dpi, marked):
    bench = request.getfixturevalue(bench_name)
    results = SCENES[scene](bench, rng)
    echoes = results[-1].echoes if marked else ()
    pointed_range_m = echoes[len(echoes) // 2].range_m if marked else None
    long = dataclasses.replace(
        bench.info,
        front_end="sound-card",
        invented=False,
        device="a device with quite a long name, " * 9,
    )
    figure, _ = drawn(
        dataclasses.replace(bench, info=long),
        results,
        dpi=dpi,
        note="recording_" * 40,
        pointed_range_m=pointed_range_m,
    )
    assert_apart(figure)


@pytest.mark.parametrize("looks", ["along", "down"])
@pytest.mark.parametrize(("bench_name", "scene"), [("air", "bench"), ("water", "cistern")])
def test_no_text_beside_what_stands_there_is_cut_off_or_lies_on_another(
    request, rng, bench_name, scene, looks
):
    bench = request.getfixturevalue(bench_name)
    results = SCENES["one pass"](bench, rng)
    marked_m = results[-1].echoes[0].range_m
    figure, _ = drawn(
        bench, results, scene=built_in(scene)[0], looks=looks, pointed_range_m=marked_m
    )
    assert_apart(figure)


@pytest.mark.parametrize("scene", ["one pass", "all lost"])
def test_no_text_is_cut_off_or_lies_on_another_where_the_pair_looks_down(air, rng, scene):
    figure, _ = drawn(air, SCENES[scene](air, rng), looks="down", note="a note")
    assert_apart(figure)


def assert_apart(figure):
    boxes = boxes_of(figure)
    assert len(boxes) > 25
    width, height = figure.canvas.get_width_height()
    for text, box in boxes:
        assert box.x0 >= 0, text
        assert box.x1 <= width, text
        assert box.y0 >= 0, text
        assert box.y1 <= height, text
    for (text, box), (other_text, other) in itertools.combinations(boxes, 2):
        # A text's box has the line's full height, of which a tenth is air at each edge.
        air = 0.1 * min(box.height, other.height)
        apart = (
            box.x1 <= other.x0 + air
            or other.x1 <= box.x0 + air
            or box.y1 <= other.y0 + air
            or other.y1 <= box.y0 + air
        )
        assert apart, (text, other_text)


@pytest.mark.parametrize("dpi", SIZES.values(), ids=SIZES)
def test_text_is_legible_on_a_projector(air, rng, dpi):
    figure, picture = drawn(air, air.passing(10, rng), dpi=dpi, note="a note")
    # At 1280 × 720 on 100 dots per inch a point is 1.39 dots; a larger picture keeps
    # the same share of its height.
    sizes = {
        t.get_text(): t.get_fontsize() * dpi / 100 * 720 / figure.canvas.get_width_height()[1]
        for t in figure.findobj(Text)
        if t.get_visible() and t.get_text().strip()
    }
    assert min(sizes.values()) >= 12 - 1e-9
    main = [size for text, size in sizes.items() if text.endswith(" m") or " / " in text]
    title = next(size for text, size in sizes.items() if text.startswith("Echoes in air"))
    assert min([*main, title, sizes["a note"]]) >= 14 - 1e-9
    assert len(picture.panels) == 3


def test_all_panels_stand_over_one_range_axis(air, rng):
    _, picture = drawn(air, air.passing(10, rng))
    ends = [axes.transData.transform([(0.0, 0), (5.0, 0)])[:, 0] for axes in picture.panels]
    assert ends[0] == pytest.approx(ends[1], abs=1e-6)
    assert ends[0] == pytest.approx(ends[2], abs=1e-6)


@pytest.mark.parametrize("bench_name", ["air", "water"])
def test_times_stand_over_the_ranges_that_they_belong_to(request, rng, bench_name):
    bench = request.getfixturevalue(bench_name)
    _, picture = drawn(bench, bench.passing(3, rng))
    drawn_at = {text.get_text(): text for text in picture.panels[0].texts}
    in_ms = bench.plan.medium.kind == "air"
    checked = 0
    for place_m, label in zip(picture.times.places, picture.times.labels, strict=True):
        assert drawn_at[label].get_position() == (place_m, 1.0)
        time_s = float(label) * (1e-3 if in_ms else 1e-6)
        # Written out from the plan, not by the code under test: two legs of a triangle.
        leg_m = math.hypot(place_m, bench.plan.geometry.baseline_m / 2)
        assert 2 * leg_m / bench.sound_speed_m_s == pytest.approx(time_s, rel=1e-9)
        checked += 1
    assert checked >= 5


def test_bench_sketch_is_to_scale(air, rng):
    _, picture = drawn(air, air.passing(3, rng))
    origin, along, up = picture.panels[0].transData.transform([(0, 0), (1, 0), (0, 1)])
    assert up[1] - origin[1] == pytest.approx(along[0] - origin[0], rel=1e-9)


def rgb_of(figure):
    return np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(int)


def test_mark_drops_one_line_through_all_three_panels(air, rng):
    results = air.passing(10, rng)
    figure, picture = drawn(air, results, pointed_range_m=1.0, painted=True)
    plain, _ = drawn(air, results, painted=True)
    changed = (rgb_of(figure) != rgb_of(plain)).any(axis=2)
    height = changed.shape[0]
    column = round(picture.panels[0].transData.transform((1.0, 0))[0])
    for axes in picture.panels:
        box = axes.get_window_extent()
        rows = slice(height - int(box.y1) + 2, height - int(box.y0) - 2)
        # The trace and a label may cover some of it.
        assert changed[rows, column].mean() > 0.9


def test_mark_tells_what_the_echo_there_is(air, rng):
    results = air.passing(10, rng)
    echo = results[-1].echoes[1]
    figure, _ = drawn(air, results, pointed_range_m=echo.range_m)
    foot = next(t for t, _ in boxes_of(figure) if t.startswith("Marked echo"))
    assert f"{echo.range_m:.3f} m" in foot
    assert "1.8 mm" in foot


def test_mark_beside_every_echo_claims_none(air, rng):
    figure, _ = drawn(air, air.passing(10, rng), pointed_range_m=4.0)
    assert any("no echo there" in text for text, _ in boxes_of(figure))


def label_of(figure, range_m):
    """The label of an echo in the strip."""
    text = f"{range_m:.3f} m"
    return next(t for t in figure.findobj(Text) if t.get_visible() and t.get_text() == text)


def test_strongest_echo_is_labelled_behind_any_number_of_weaker_ones(air, rng):
    near = [(0.5 + 0.3 * i, -50.0) for i in range(9)]
    close = [(3.9, -52.0), (3.95, -30.0)]
    figure, _ = drawn(air, [air.ping(0, [*near, *close], rng)])
    assert label_of(figure, 3.95)


def test_mark_does_not_run_through_a_label_of_another_echo(air, rng):
    results = [air.ping(0, [(1.2, -30.0), (1.3, -45.0), (3.0, -40.0)], rng)]
    figure, picture = drawn(air, results, pointed_range_m=1.3)
    line = picture.panels[1].transData.transform((1.3, 0))[0]
    renderer = figure.canvas.get_renderer()
    other = label_of(figure, 1.2).get_window_extent(renderer)
    assert other.x1 < line or other.x0 > line
    own = label_of(figure, 1.3)
    assert own.get_window_extent(renderer).x0 < line < own.get_window_extent(renderer).x1


def inside_of(figure, words):
    """The picture's dots behind a text."""
    texts = [t for t in figure.findobj(Text) if t.get_visible()]
    text = next(t for t in texts if t.get_text().startswith(words))
    box = text.get_window_extent(figure.canvas.get_renderer())
    height = figure.canvas.get_width_height()[1]
    rows = slice(height - int(box.y1) + 2, height - int(box.y0) - 2)
    return rgb_of(figure)[rows, int(box.x0) + 2 : int(box.x1) - 2]


def test_mark_does_not_run_through_its_own_label(air, rng):
    results = [air.ping(0, [(0.7, -30.0), (1.0, -40.0)], rng)]
    figure, _ = drawn(air, results, pointed_range_m=0.7, painted=True)
    # The topmost and the lowest dots behind a number hold nothing of it.
    inside = inside_of(figure, "0.700 m")
    assert (inside[[0, -1]] > 250).all()


def test_arcs_do_not_run_through_the_footprint_s_width(air, rng):
    results = [air.ping(0, [(0.7, -30.0), (1.0, -40.0), (1.3, -40.0)], rng)]
    figure, _ = drawn(air, results, pointed_range_m=0.7, painted=True)
    # Red is 0xc2 in the pointer's colour and 0x0b in that of the arcs: any mixture of the
    # pointer's with the paper has at least the first.
    assert inside_of(figure, "footprint")[..., 0].min() >= 0xC2


def test_far_wall_is_hatched_in_the_sketch_and_nowhere_else(air, rng):
    results = air.passing(3, rng)
    table = {"medium": {"sound_speed_m_s": air.sound_speed_m_s}, "transducer": {}}
    open_end, _ = drawn(air, results, scene=scene_from_table(table), covered=True, painted=True)
    scene = scene_from_table({**table, "bottom": {"range_m": 4.6}})
    walled, picture = drawn(air, results, scene=scene, covered=True, painted=True)
    changed = (rgb_of(open_end) != rgb_of(walled)).any(axis=2)
    columns, rows = np.flatnonzero(changed.any(axis=0)), np.flatnonzero(changed.any(axis=1))
    box = picture.panels[0].get_window_extent()
    wall = picture.panels[0].transData.transform((4.6, 0))[0]
    # Half of a line of 1.1 dots, and the width of a dot itself.
    assert abs(columns.min() - wall) < 0.55 + 1
    assert columns.max() <= box.x1 + 1
    assert changed.shape[0] - rows.max() >= box.y0 - 1


def test_strength_axes_say_what_the_decibels_are_relative_to(air, rng):
    figure, _ = drawn(air, air.passing(3, rng))
    assert sum("dB re full scale" in text for text, _ in boxes_of(figure)) == 2


def test_side_lobes_above_the_threshold_are_told_of(air, rng):
    figure, _ = drawn(air, air.passing(3, rng))
    assert any("side lobes, not" in " ".join(text.split()) for text, _ in boxes_of(figure))


def history_of(picture):
    return np.ma.getdata(picture.panels[2].images[0].get_array())


def test_lost_ping_is_blank_and_not_made_up(air, rng):
    _, picture = drawn(air, air.passing(10, rng, lost=[4]), history_pings=10)
    rows = np.ma.filled(picture.panels[2].images[0].get_array(), np.nan)
    # Newest on top: ping 4 of 0 to 9 has row 5.
    assert np.isnan(rows[5]).all()
    assert not np.isnan(rows[4]).all()
    assert not np.isnan(rows[6]).all()


def test_ping_that_never_came_is_blank_too(air, rng):
    results = air.passing(10, rng)
    del results[4]
    _, picture = drawn(air, results, history_pings=10)
    assert np.isnan(np.ma.filled(picture.panels[2].images[0].get_array(), np.nan)[5]).all()


def test_newest_ping_stands_on_top(air, rng):
    results = [air.ping(i, [(1.0 + 0.3 * i, -40.0)], rng) for i in range(10)]
    _, picture = drawn(air, results, history_pings=10)
    rows = history_of(picture)
    columns = rows.shape[1]
    searched = slice(int(0.1 * columns), None)  # past the direct sound
    strongest_m = (np.nanargmax(rows[:, searched], axis=1) + searched.start + 0.5) / columns * 5
    # A column and half a bin: 5 m over some 780 columns, 343/(2·10 kHz) m.
    assert strongest_m == pytest.approx([1.0 + 0.3 * i for i in range(9, -1, -1)], abs=0.02)


def test_echo_of_one_bin_shows_in_the_smallest_picture(air, rng):
    result = air.ping(0, [], rng, noise_db=-90.0)
    envelope = np.full(60_000, 1e-5, dtype=np.complex64)
    for place in (20_011, 33_333, 49_999):
        envelope[place] = 0.1
    profile = EchoProfile(envelope=envelope, bin_s=5e-7)
    ping = dataclasses.replace(result, profile=profile, threshold=None)
    _, picture = drawn(air, [ping], inches=(3.2, 1.8), history_pings=5)
    assert (history_of(picture)[0] > -21).sum() == 3


def test_history_of_more_pings_than_dots_keeps_every_echo(water, rng):
    still = water.ping(0, [], rng)
    results = [dataclasses.replace(still, index=i, sent_s=0.1 * i) for i in range(900)]
    flash = water.ping(333, [(0.7, -30.0)], rng)
    results[333] = flash
    _, picture = drawn(water, results, history_pings=900)
    rows = history_of(picture)
    assert rows.shape[0] < 300
    far = rows[:, int(0.5 * rows.shape[1]) :]
    together = -(-900 // rows.shape[0])
    assert np.flatnonzero((far > -35).any(axis=1)).tolist() == [(899 - 333) // together]


def test_strength_scale_stands_still_when_told_to(air, rng):
    loud = air.ping(0, [(2.0, -20.0)], rng)
    quiet = air.ping(1, [], rng)
    _, picture = drawn(air, [loud], limits_db=(-80.0, -20.0))
    assert picture.show([quiet], limits_db=(-80.0, -20.0)) is False
    assert picture.panels[2].images[0].get_clim() == (-80.0, -20.0)


def test_pictures_do_not_hang_on_the_users_own_settings(tmp_path, air, rng):
    import matplotlib

    results = air.passing(5, rng)
    saved(tmp_path / "a.png", air, results)
    with matplotlib.rc_context({"font.size": 30, "axes.facecolor": "black", "lines.marker": "x"}):
        saved(tmp_path / "b.png", air, results)
        assert matplotlib.rcParams["font.size"] == 30
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


@pytest.mark.parametrize(
    ("suffix", "start"),
    [(".png", b"\x89PNG"), (".svg", b"<?xml"), (".pdf", b"%PDF"), (".PNG", b"\x89PNG")],
)
def test_suffix_says_the_kind_of_file(tmp_path, air, rng, suffix, start):
    path = tmp_path / f"picture{suffix}"
    saved(path, air, air.passing(3, rng))
    assert path.read_bytes().startswith(start)


@pytest.mark.parametrize("size_px", [(1280, 720), (1920, 1080), (1024, 768)])
def test_picture_has_the_size_asked_for(tmp_path, air, rng, size_px):
    from matplotlib.image import imread

    saved(tmp_path / "picture.png", air, air.passing(3, rng), size_px=size_px)
    assert imread(tmp_path / "picture.png").shape[:2] == size_px[::-1]


@pytest.mark.parametrize("name", ["picture.jpg", "picture"])
def test_unknown_kind_of_picture_is_refused_with_those_there_are(name):
    with pytest.raises(StorageError, match=r"\.png, \.svg, \.pdf"):
        check_picture_path(name)


def test_picture_into_a_folder_that_is_not_there_says_so_in_one_line(tmp_path, air):
    path = tmp_path / "nowhere" / "picture.png"
    with pytest.raises(StorageError, match="cannot be written") as caught:
        saved(path, air, [])
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="/dev/full is Linux's own")
def test_full_disk_is_told_from_other_faults(tmp_path, air):
    path = tmp_path / "picture.png"
    path.symlink_to("/dev/full")
    with pytest.raises(StorageError, match="No space left"):
        saved(path, air, [])


def test_first_picture_needs_neither_screen_nor_pyplot(tmp_path):
    script = f"""
import sys
from rig.bench.capture import StreamInfo
from rig.bench.plan import Plan
from rig.bench.pulse_kinds import Chirp
from rig.run.receiver import Receiver
from rig.run.run import Run
from rig.show.pictures.bench_picture import draw_picture
from rig.show.pictures.saving import save_drawn
assert "matplotlib" not in sys.modules
plan = Plan(pulse=Chirp(start_hz=4e3, stop_hz=12e3, duration_s=0.01))
info = StreamInfo(front_end="virtual-tank", device="bench", sample_rate_hz=48e3)
run = Run(Receiver(plan, info))
save_drawn({str(tmp_path / "p.png")!r}, lambda figure: draw_picture(figure, run))
assert "matplotlib.pyplot" not in sys.modules
"""
    environment = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}
    subprocess.run(
        [sys.executable, "-c", script],
        cwd=pathlib.Path(__file__).parents[4],
        env=environment,
        check=True,
        timeout=PATIENCE_S,
    )
    assert (tmp_path / "p.png").stat().st_size > 10_000


def test_pings_left_out_are_told_of_and_their_rows_stay_blank(air, rng):
    results = air.passing(30, rng)
    figure, picture = drawn(air, [*results[:10], *results[17:]], history_pings=30, left_out=7)
    words = [text for text, _ in boxes_of(figure)]
    assert "7 pings left out: this machine is slower than the bench" in words
    assert "Blank: 7 left out, too slow." in words
    (image,) = picture.panels[2].images
    blank = np.isnan(np.ma.filled(image.get_array(), np.nan)).all(axis=1)
    # The newest, number 29, is in row 0; numbers 10 to 16 never came.
    assert np.flatnonzero(blank).tolist() == list(range(29 - 16, 29 - 10 + 1))


def test_words_about_pings_left_out_are_whole_and_lie_on_no_others(air, water, rng):
    for bench in (air, water):
        results = bench.passing(40, rng, lost=[5, 6])
        # 99 999 left out of a bench's ten a second: three hours of a machine too slow.
        figure, _ = drawn(bench, results, left_out=99_999)
        boxes = boxes_of(figure)
        for (text, box), (other, other_box) in itertools.combinations(boxes, 2):
            if "left out" in text or "left out" in other:
                assert not box.overlaps(other_box), (text, other)
        for text, box in boxes:
            if "left out" in text:
                assert 0 <= box.x0 < box.x1 <= 1280, text
