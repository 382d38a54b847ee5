"""A picture as it is packed, and that the newest alone is."""

from __future__ import annotations

import io
import threading

import numpy as np
import pytest
from PIL import Image
from room_visits import frame_words
from typist import PATIENCE_S

from rig.run.opening import open_bench
from rig.show.pictures.bench_picture import draw_picture
from rig.show.pictures.page import CONE
from rig.show.pictures.saving import drawn_bytes
from rig.show.room.address import Address
from rig.show.room.following import STOPPED, Following
from rig.show.room.picture import Frame, Packer, png_of
from rig.show.room.room import Room
from rig.tank.built_in import built_in


def unpacked(png: bytes) -> np.ndarray:
    """Return a PNG's dots as Pillow reads them, which shares nothing with our writer."""
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(int)


def test_packed_picture_is_the_drawn_one_within_a_step_of_colour_and_its_grounds_exactly() -> None:
    scene, plan = built_in("bench")
    with open_bench(plan, scene=scene, seed=1) as bench:
        run = bench.run()
        for _ in bench.over(run, 12):
            pass
    drawn = Image.open(io.BytesIO(drawn_bytes("png", lambda f: draw_picture(f, run))))
    dots = np.array(drawn.convert("RGBA"))
    packed = unpacked(png_of(dots))
    assert packed.shape == (720, 1280, 3)
    # A step of 32 is 8 of 256 wide: two values in it are at most 7 apart.
    assert np.abs(packed - dots[..., :3]).max() <= 7
    for ground in ("#ffffff", CONE):
        rgb = [int(ground[at : at + 2], 16) for at in (1, 3, 5)]
        there = np.all(dots[..., :3] == rgb, axis=2)
        assert there.sum() > 10_000
        assert np.all(packed[there] == rgb)


@pytest.mark.parametrize("colours", [1, 256, 4000, 32768])
def test_picture_of_any_number_of_colours_is_packed(colours: int) -> None:
    rng = np.random.default_rng(colours)
    dots = rng.choice(rng.integers(0, 256, (colours, 4), dtype=np.uint8), (60, 90))
    dots[..., 3] = 255
    packed = unpacked(png_of(dots))
    # Four steps of each colour at the fewest, of 64 values each.
    assert np.abs(packed - dots[..., :3]).max() < 64


def test_packer_keeps_the_newest_until_somebody_is_there_and_drops_the_rest() -> None:
    there, came = threading.Event(), threading.Event()
    frames: list[Frame] = []

    def packed(frame: Frame) -> None:
        frames.append(frame)
        came.set()

    packer = Packer(wanted=there.is_set, packed=packed)
    for number in range(50):
        packer.offer(np.full((8, 8, 4), 255, np.uint8), f"Ping {number}", (), "", 0.0)
    there.set()
    packer.look()
    assert came.wait(PATIENCE_S)
    packer.stop(within_s=PATIENCE_S)
    assert [frame_words(frame.message)["head"] for frame in frames] == ["Ping 49"]


def test_picture_that_cannot_be_drawn_is_said_at_once_there_and_on_the_page(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def broken(*_given: object, **_more: object) -> None:
        raise ValueError("no ink")

    monkeypatch.setattr("rig.show.room.following.BenchPicture", broken)
    scene, plan = built_in("bench")
    shown, warned, told = [], [], threading.Event()

    class Taking(Room):
        def show(self, _dots, _head, _lines=(), *, ending=""):  # type: ignore[no-untyped-def]
            shown.append(ending)
            told.set()

    with Taking(Address(port=0)) as room, open_bench(plan, scene=scene, seed=1) as bench:
        following = Following(room, bench.run(), warn=warned.append)
        assert told.wait(PATIENCE_S)  # with pings still to come
        following.finish("All pings done")
    assert warned == ["the room's picture has stopped (ValueError: no ink)"]
    assert shown == [STOPPED]


def test_without_a_window_the_last_picture_is_the_one_that_a_file_would_have() -> None:
    scene, plan = built_in("bench")
    shown: list[tuple[np.ndarray, str, str]] = []

    class Taking(Room):
        def show(self, dots, head, _lines=(), *, ending=""):  # type: ignore[no-untyped-def]
            shown.append((np.array(dots[..., :3]).astype(int), head, ending))

    with Taking(Address(port=0)) as room, open_bench(plan, scene=scene, seed=1) as bench:
        run = bench.run()
        following = Following(room, run, looks="along", warn=pytest.fail)
        for result in bench.over(run, 30, one_by_one=True):
            following.take(result)
        following.finish("")
    dots, head, ending = shown[-1]
    assert head.startswith("Ping 29: ")
    assert ending == ""
    whole = drawn_bytes("png", lambda f: draw_picture(f, run, looks="along"))
    drawn = Image.open(io.BytesIO(whole)).convert("RGB")
    # The sketch, which hangs on no scale of strength; the rest may have another, by which ping
    # was drawn first. As in tests/rig/show/window/test_sheet.py: letters that change, of less
    # than 1.3 % of all dots, stand up to half a dot from where a full drawing has them.
    sketch = slice(40, 330), slice(0, 1000)
    apart = np.abs(np.asarray(drawn).astype(int) - dots)[sketch].max(axis=2)
    assert np.mean(apart > 32) < 0.013
