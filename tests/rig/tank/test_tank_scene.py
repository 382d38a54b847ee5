"""The scene file: what parses, and what is said of what does not."""

import copy
import tomllib

import pytest

from rig.errors import SceneError
from rig.tank.scene import read_scene, scene_from_table

# The scene that the contract of the file promises to take, key for key.
CONTRACT = """
[medium]
kind = "air"
sound_speed_m_s = 343.963
[noise]
level_db = -70.0
[[target]]
body = "sphere"
radius_m = 0.05
position_m = [1.2, 0.0, 0.0]
velocity_m_s = [0.0, 0.1, 0.0]
"""

# Every table and every key there is.
WHOLE = {
    "medium": {
        "kind": "sea-water",
        "sound_speed_m_s": 1500,
        "temperature_c": 10.0,
        "humidity_percent": 40.0,
        "salinity_g_kg": 30.0,
    },
    "noise": {"level_db": -60.0},
    "source": {"level_db": -6.0},
    "direct": {"level_db": -40.0},
    "geometry": {"baseline_m": 0.1},
    "transducer": {"shape": "piston", "radius_m": 0.02, "length_m": 0.1, "tilt_deg": 5.0},
    "source_transducer": {"shape": "line", "resonance_hz": 4e4, "bandwidth_hz": 4e3},
    "receiver_transducer": {"shape": "point"},
    "ring_down": {"level_db": -20.0, "frequency_hz": 4e4, "decay_s": 1e-4},
    "clutter": {"level_db": -40.0, "reach_m": 0.2},
    "walls": {
        "size_m": [2.0, 1.0, 1.0],
        "pair_m": [0.1, 0.5, 0.5],
        "behind": 0.5,
        "ahead": 0.5,
        "right": 0.5,
        "left": 0.5,
        "below": 0.5,
        "above": -1.0,
        "order": 2,
    },
    "converter": {"bits": 16, "latency_s": 0.01, "clock_error_ppm": 20.0},
    "target": [
        {"body": "sphere", "radius_m": 0.02, "surface": "soft", "position_m": [1, 0, 0]},
        {"body": "plate", "width_m": 0.1, "height_m": 0.1, "position_m": [1, 0, 0]},
        {"body": "cylinder", "radius_m": 0.1, "length_m": 0.1, "position_m": [1, 0, 0]},
        {
            "body": "bubbles",
            "radius_m": 0.1,
            "count": 9,
            "bubble_radius_m": 0.001,
            "position_m": [1, 0, 0],
            "velocity_m_s": [0.0, 0.0, 0.1],
            "turn_back_s": 2.0,
        },
    ],
}


def _changed(path, value):
    table = copy.deepcopy(WHOLE)
    *way, last = path
    place = table
    for step in way:
        place = place[step]
    place[last] = value
    return table


def test_every_key_of_the_contract_parses_and_arrives():
    scene = scene_from_table(tomllib.loads(CONTRACT))
    assert (scene.medium.kind, scene.medium.sound_speed_m_s) == ("air", 343.963)
    assert scene.noise.level_db == -70.0
    (sphere,) = scene.target
    assert (sphere.body, sphere.radius_m) == ("sphere", 0.05)
    assert sphere.position_m == (1.2, 0.0, 0.0)
    assert sphere.velocity_m_s == (0.0, 0.1, 0.0)


def test_a_scene_file_reads_as_its_tables(tmp_path):
    path = tmp_path / "scene.toml"
    path.write_text(CONTRACT)
    assert read_scene(path) == scene_from_table(tomllib.loads(CONTRACT))


def test_every_table_and_key_parses():
    scene = scene_from_table(WHOLE)
    assert [target.body for target in scene.target] == ["sphere", "plate", "cylinder", "bubbles"]
    assert scene.walls.above == -1.0


def test_only_the_medium_must_be_named():
    scene = scene_from_table({"medium": {"sound_speed_m_s": 343.0}})
    assert scene.noise is None
    assert scene.walls is None
    assert scene.target == ()


@pytest.mark.parametrize(
    ("path", "value", "says"),
    [
        (("mediun",), {}, "mediun: unknown key; did you mean 'medium'"),
        (("medium", "speed"), 1.0, "medium.speed: unknown key.*sound_speed_m_s"),
        (("medium", "kind"), "helium", "medium.kind: found 'helium'.*\"fresh-water\""),
        (
            ("medium", "sound_speed_m_s"),
            "fast",
            "medium.sound_speed_m_s: found 'fast'.*200 to 2500",
        ),
        (("medium", "sound_speed_m_s"), 0.343, "found 0.343.*200 to 2500"),
        (("noise",), -70.0, "noise: found -70.0; this is a table"),
        (("noise", "level_db"), 3.0, "noise.level_db: found 3.0.*-200 to 0"),
        (("target",), {"body": "sphere"}, r"list of tables, written \[\[target\]\]"),
        (("target", 0), 5, r"target\[0\].body: found None"),
        (("target", 1, "body"), "cube", r"target\[1\].body: found 'cube'.*\"plate\""),
        (("target", 1, "body"), ["plate"], r"target\[1\].body: found \['plate'\]"),
        (("target", 0, "width_m"), 1.0, r"target\[0\].width_m: unknown key.*radius_m"),
        (("target", 0, "position_m"), [1.0, 0.0], r"position_m: found \[1.0, 0.0\].*3 numbers"),
        (("target", 0, "position_m"), [1.0, 0.0, "up"], r"position_m\[2\]: found 'up'"),
        (("target", 0, "position_m"), [3.0, 0.0, 0.0], "inside the walls"),
        (("target", 0, "velocity_m_s"), [200.0, 0.0, 0.0], "a tenth of the sound speed"),
        (("walls", "pair_m"), [0.1, 0.5, 1.5], "walls.pair_m.*inside the box"),
        (("walls", "size_m"), [2.0, 1.0, 0.0], "walls.size_m.*above 0"),
        (("walls", "above"), -1.5, "walls.above: found -1.5.*-1 to 1"),
        (("bottom",), {"range_m": 1.0}, "bottom: found with walls"),
        (("surface",), {"behind_m": 1.0}, "surface: found without a bottom"),
        (("transducer", "resonance_hz"), 4e4, "bandwidth_hz: found 0 with resonance_hz = 40000"),
        (("converter", "bits"), 15.5, "converter.bits: found 15.5.*0 to 24"),
    ],
)
def test_a_wrong_scene_gets_one_line_that_names_file_key_and_what_is_allowed(path, value, says):
    with pytest.raises(SceneError, match=says) as caught:
        scene_from_table(_changed(path, value), source="pond.toml")
    message = str(caught.value)
    assert message.startswith("pond.toml: ")
    assert "\n" not in message


def test_a_missing_medium_or_sound_speed_is_asked_for():
    with pytest.raises(SceneError, match=r"medium: missing.*sound_speed_m_s"):
        scene_from_table({})
    with pytest.raises(SceneError, match=r"medium.sound_speed_m_s: missing; give a number from"):
        scene_from_table({"medium": {"kind": "air"}})


def test_a_missing_place_is_asked_for_as_numbers():
    target = {"body": "sphere", "radius_m": 0.05}
    with pytest.raises(
        SceneError, match=r"target\[0\].position_m: missing; give a list of numbers"
    ):
        scene_from_table({"medium": {"sound_speed_m_s": 343.0}, "target": [target]})


def test_the_bench_ends_at_its_bottom_or_at_a_wall_that_sends_sound_back():
    medium = {"medium": {"sound_speed_m_s": 343.0}}
    box = {"size_m": [4.0, 4.0, 2.5], "pair_m": [0.95, 2.0, 1.1]}
    assert scene_from_table(medium).far_wall_m is None
    assert scene_from_table({**medium, "walls": box}).far_wall_m is None
    # From the pair to the box's far end: 4.00 − 0.95.
    echoing = scene_from_table({**medium, "walls": {**box, "ahead": 0.3}})
    assert echoing.far_wall_m == pytest.approx(3.05, rel=1e-12)
    assert scene_from_table({**medium, "bottom": {"range_m": 0.8}}).far_wall_m == 0.8


def test_a_file_that_is_missing_or_not_toml_is_named(tmp_path):
    with pytest.raises(SceneError, match=r"nothing\.toml: cannot be read"):
        read_scene(tmp_path / "nothing.toml")
    (tmp_path / "noise.toml").write_bytes(b"\xff\x00")
    with pytest.raises(SceneError, match=r"noise\.toml: is not text in UTF-8"):
        read_scene(tmp_path / "noise.toml")
