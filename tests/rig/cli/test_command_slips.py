"""What goes wrong in a first hour with the command, and what it says then."""

import json
import subprocess
from pathlib import Path

import pytest
from typist import typed


def assert_wrong_usage(done: subprocess.CompletedProcess[str], message: str) -> None:
    assert done.returncode == 2, done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
    assert message in done.stderr


def test_an_option_of_another_command_is_blamed_on_the_one_that_has_it_not(tmp_path: Path) -> None:
    done = typed("demo", "--take-home", "monday.html", folder=tmp_path)
    assert_wrong_usage(done, "--take-home monday.html; see echobench demo --help")


def test_a_page_to_take_home_is_nothing_for_a_room_to_follow(tmp_path: Path) -> None:
    asked = ("--take-home", "monday.html", "--room", "127.0.0.1:0")
    done = typed("replay", "none.sigmf-meta", *asked, folder=tmp_path)
    assert done.returncode == 2
    assert "--take-home: found --room" in done.stderr
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", ["kept/", ".", "kept/.."])
def test_a_folder_is_no_name_for_a_recording(tmp_path: Path, name: str) -> None:
    (tmp_path / "kept").mkdir()
    done = typed("demo", "--pings", "1", "--record", name, "--json", folder=tmp_path)
    assert_wrong_usage(done, "names no file; give a name in that folder")
    assert [p.name for p in tmp_path.rglob("*")] == ["kept"]


@pytest.mark.parametrize(
    "words",
    [
        ("demo", "--pings", "1"),
        ("run", "--plan", "none.toml"),
        ("replay", "none.sigmf-meta"),
        ("beam", "none.sigmf-meta", "--speed-m-s", "1"),
    ],
    ids=lambda words: words[0],
)
def test_a_picture_of_no_known_kind_is_wrong_usage(tmp_path: Path, words: tuple[str, ...]) -> None:
    done = typed(*words, "--picture", "seen.jpg", folder=tmp_path)
    assert_wrong_usage(done, "ends in '.jpg'; give a picture a name that ends in one of .png")


@pytest.mark.parametrize("verb", ["measure", "replay"])
def test_a_folder_is_no_recording(tmp_path: Path, verb: str) -> None:
    (tmp_path / "monday").mkdir()
    done = typed(verb, "monday", folder=tmp_path)
    assert_wrong_usage(done, "monday: is a folder; give the path of a NAME.sigmf-meta")


def test_a_recording_beside_a_folder_of_its_name_is_found(tmp_path: Path) -> None:
    (tmp_path / "monday").mkdir()
    made = typed("demo", "--pings", "1", "--record", "monday", "--json", folder=tmp_path)
    assert made.returncode == 0, made.stderr
    found = typed("measure", "monday", "--json", folder=tmp_path)
    assert json.loads(found.stdout)["pings"] == 1


def test_one_ping_is_not_called_pings(tmp_path: Path) -> None:
    one = typed("demo", "--pings", "1", "--picture", "one.svg", folder=tmp_path)
    two = typed("demo", "--pings", "2", "--picture", "two.svg", folder=tmp_path)
    assert "\n1 ping, 0 lost" in one.stdout
    assert "\n2 pings, 0 lost" in two.stdout


def test_one_target_is_not_called_targets(tmp_path: Path) -> None:
    scene = "[medium]\nkind = 'fresh-water'\nsound_speed_m_s = 1482.35\n"
    ball = "[[target]]\nbody = 'sphere'\nradius_m = 0.02\nposition_m = [0.6, 0.0, 0.0]\n"
    counts = {"none": "no targets", "one": "1 target", "two": "2 targets"}
    for number, name in enumerate(counts):
        (tmp_path / f"{name}.toml").write_text(scene + number * ball)
        typed(
            "demo", "--scene", f"{name}.toml", "--pings", "1", "--record", name, "--json",
            folder=tmp_path,
        )  # fmt: skip
        meta = json.loads((tmp_path / f"{name}.sigmf-meta").read_text())
        assert meta["global"]["core:hw"] == f"a scene in fresh water with {counts[name]}"


def test_the_demonstration_s_wall_is_drawn(tmp_path: Path) -> None:
    # An SVG file hatches with a pattern; a run without lost pings has no other hatching.
    scene = "[medium]\nsound_speed_m_s = 343.963\n"
    (tmp_path / "open.toml").write_text(scene)
    for name, words in {"demo": (), "open": ("--scene", "open.toml")}.items():
        typed("demo", "--pings", "1", "--picture", f"{name}.svg", *words, "--json", folder=tmp_path)
    assert "<pattern" in (tmp_path / "demo.svg").read_text()
    assert "<pattern" not in (tmp_path / "open.svg").read_text()


def test_a_recording_is_drawn_along_or_down_as_asked_and_else_as_its_plan_says(
    tmp_path: Path,
) -> None:
    typed("demo", "--pings", "2", "--record", "r", "--json", folder=tmp_path)
    pictures = {}
    for way in ("along", "down", None):
        words = () if way is None else ("--looks", way)
        done = typed(
            "replay", "r.sigmf-meta", *words, "--picture", f"{way}.png", "--json", folder=tmp_path
        )
        assert done.returncode == 0, done.stderr
        pictures[way] = (tmp_path / f"{way}.png").read_bytes()
    # The demonstration's pair looks down into its cistern.
    assert pictures[None] == pictures["down"] != pictures["along"]


def test_the_version_is_told(tmp_path: Path) -> None:
    import tomllib

    project = Path(__file__).parents[3] / "pyproject.toml"
    version = tomllib.loads(project.read_text(encoding="utf-8"))["project"]["version"]
    done = typed("--version", folder=tmp_path)
    assert done.returncode == 0
    # What was installed, which a source tree alone does not know.
    assert done.stdout in (
        f"echobench {version}\n",
        "echobench, not installed: run from its source\n",
    )


def test_nothing_that_the_command_writes_unasked_dirties_the_clone() -> None:
    root = Path(__file__).parents[3]
    if not (root / ".git").exists():
        pytest.skip("not a clone")
    names = [
        "echobench-demo.png",
        "echobench-run.png",
        "echobench-replay.png",
        "echobench-calibration.json",
        "bench-picture.png",
        "bench-picture-2.png",
        "bench-ball-report.html",
        "bench-ball-report-echoes.csv",
        "bench-ball-slow.wav",
        "time-is-distance-sheet.html",
        "time-is-distance-pupil.html",
        "time-is-distance-out-and-back.png",
    ]
    done = subprocess.run(
        ["git", "check-ignore", *names], cwd=root, capture_output=True, text=True, check=False
    )
    assert done.stdout.split() == names
