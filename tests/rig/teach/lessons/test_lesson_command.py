"""The command `lesson` as a teacher meets it: a process, a terminal, files."""

import json
import math
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from blank_paper import blank_paper
from typist import PATIENCE_S, typed

import rig.teach.lessons.template

pytestmark = pytest.mark.usefixtures("undrawn_pictures")

TEMPLATE = Path(rig.teach.lessons.template.__file__).read_text(encoding="utf-8")
PLAN = """
[pulse]
kind = "chirp"
start_hz = 4000.0
stop_hz = 12000.0
duration_s = 0.005
"""
PARTS = ("out-and-back", "temperature", "blind-zone", "longest-range", "which-ping")
STEPS = {
    "out-and-back": ("near", "far"),
    "temperature": ("right", "colder", "warmer"),
    "blind-zone": ("short-burst", "longer-burst", "longest-burst"),
    "longest-range": ("seldom", "often", "not-so-often"),
    "which-ping": ("alike", "signed"),
}
NUMBERS = ("measured", "u_measured", "expected", "u_expected", "unit", "verdict")


def command(*words: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return typed("lesson", *words, folder=folder)


def answer(done: subprocess.CompletedProcess[str]) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


@pytest.fixture(scope="module")
def taught(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """The whole lesson on the virtual tank, predicted, recorded."""
    folder = tmp_path_factory.mktemp("taught")
    predictions = [w for v in ("5.8", "36", "1.4", "6", "6") for w in ("--predict", v)]
    words = ("time-is-distance", *predictions, "--out", "class", "--record", "--json")
    with blank_paper():
        done = command(*words, folder=folder)
    assert done.returncode == 0, done.stderr
    return folder, answer(done)


def recordings(folder: Path, *parts: str) -> list[str]:
    names = [f"time-is-distance-{p}-{s}.sigmf-meta" for p in parts for s in STEPS[p]]
    return [word for name in names for word in ("--recording", str(folder / "class" / name))]


def test_lessons_are_listed_with_their_titles_and_minutes(tmp_path: Path) -> None:
    done = command("--list", "--json", folder=tmp_path)
    assert done.returncode == 0
    listed = answer(done)["lessons"]
    assert {"name", "title", "minutes"} == set(listed[0])
    assert listed[0] == {
        "name": "time-is-distance",
        "title": "Time is distance",
        "minutes": 30,
    }
    read = command("--list", folder=tmp_path)
    assert all(lesson["name"] in read.stdout for lesson in listed)


def test_numbers_of_time_is_distance_are_those_of_the_handbooks(
    taught: tuple[Path, dict[str, Any]],
) -> None:
    """Computed here by hand from sound speeds that CoolProp's HumidAir gives at 50 %."""
    at_20_m_s, at_30_m_s = 343.963, 350.2795
    baseline_m = 0.12

    def range_m(path_m: float) -> float:
        return math.sqrt((path_m / 2) ** 2 - (baseline_m / 2) ** 2)

    to_2_m = 2 * math.hypot(2.0, baseline_m / 2)
    to_6_m = 2 * math.hypot(6.0, baseline_m / 2)
    warm_m = range_m(baseline_m + (to_2_m - baseline_m) * at_30_m_s / at_20_m_s)
    expected = {
        "out-and-back": 1e3 * to_2_m / at_20_m_s,
        "temperature": 1e3 * (warm_m - 2.0),
        # The echo's path is then as long as the direct sound's end: 0.12 m and 4 ms of sound.
        "blind-zone": range_m(baseline_m + 0.004 * at_20_m_s),
        # The echo of the ping before comes 30 ms sooner after the newer one.
        "longest-range": range_m(to_6_m - 0.030 * at_20_m_s),
        # It is that wall all the time.
        "which-ping": 6.0,
    }
    # The scene's speed is CoolProp's; the bench's formula may be off it by 0.05 m/s (rounding of
    # physics), which over these ways is less than the uncertainties: 1e-4 of 12 m is 1 mm, and
    # of the temperature's 36 mm, two formula speeds: 2e-4 of 2 m, 0.4 mm.
    formula = {"temperature": 0.4, "longest-range": 0.0009, "which-ping": 0.001}
    for part in taught[1]["parts"]:
        allowed = 2.58 * part["u_measured"] + formula.get(part["name"], 0.0)
        assert abs(part["measured"] - expected[part["name"]]) <= allowed, part["name"]


def test_answer_holds_the_first_parts_numbers_and_each_parts(
    taught: tuple[Path, dict[str, Any]],
) -> None:
    folder, found = taught
    assert [part["name"] for part in found["parts"]] == list(PARTS)
    for key in ("prediction", "measured", "u_measured", "expected", "unit", "sheet"):
        assert found[key] == found["parts"][0][key]
    assert [part["prediction"] for part in found["parts"]] == [5.8, 36.0, 1.4, 6.0, 6.0]
    # Forgot the way back; knew it; forgot to halve; knew nothing of the ping before; knows it.
    assert [p["predicted_rightly"] for p in found["parts"]] == [False, True, False, False, True]
    assert all(part["agrees"] for part in found["parts"])
    for part in found["parts"]:
        assert (folder / part["picture"]).read_bytes().startswith(b"\x89PNG")
        assert part["problem"] is None


def test_recordings_give_the_live_numbers_bit_for_bit(
    taught: tuple[Path, dict[str, Any]],
) -> None:
    folder, live = taught
    done = command(
        "time-is-distance", *recordings(folder, *PARTS), "--json", "--out", "again", folder=folder
    )
    assert done.returncode == 0, done.stderr
    for before, after in zip(live["parts"], answer(done)["parts"], strict=True):
        assert {key: before[key] for key in NUMBERS} == {key: after[key] for key in NUMBERS}


def test_one_part_is_done_alone_with_its_own_recordings(
    taught: tuple[Path, dict[str, Any]],
) -> None:
    folder, live = taught
    done = command(
        *("time-is-distance", "--part", "blind-zone", *recordings(folder, "blind-zone")),
        *("--predict", "0.7", "--json", "--out", "alone"),
        folder=folder,
    )
    assert done.returncode == 0, done.stderr
    found = answer(done)
    assert [part["name"] for part in found["parts"]] == ["blind-zone"]
    assert found["measured"] == live["parts"][2]["measured"]
    assert found["prediction"] == 0.7
    assert (folder / found["sheet"]).name == "time-is-distance-blind-zone-sheet.html"


def test_sheet_is_one_file_without_script_or_anything_to_fetch(
    taught: tuple[Path, dict[str, Any]],
) -> None:
    folder, found = taught
    page = (folder / found["sheet"]).read_text(encoding="utf-8")
    assert not re.search(r"<script|javascript:|\son\w+=", page)
    sources = re.findall(r'(?:src|href|action)="([^"]{0,40})', page)
    assert sources
    assert all(source.startswith("data:") for source in sources)
    assert "url(" not in page
    assert "@import" not in page


def test_sheet_says_what_was_asked_predicted_measured_and_invented(
    taught: tuple[Path, dict[str, Any]],
) -> None:
    folder, found = taught
    page = (folder / found["sheet"]).read_text(encoding="utf-8")
    for part in found["parts"]:
        assert part["question"] in page
    for words in ("Invented scene", "5.8 ms", "11.634", "common misreading"):
        assert words in page, words
    # A picture for each part, and one of the bench for each step.
    assert page.count("<img ") == len(PARTS) + sum(len(steps) for steps in STEPS.values())


def test_without_terminal_and_prediction_it_neither_asks_nor_hangs(tmp_path: Path) -> None:
    done = command("time-is-distance", "--part", "out-and-back", "--json", folder=tmp_path)
    assert done.returncode == 0
    assert answer(done)["prediction"] is None
    assert answer(done)["predicted_rightly"] is None
    page = (tmp_path / answer(done)["sheet"]).read_text(encoding="utf-8")
    assert 'class="blank"' in page, "room to write the prediction"


def test_it_tells_in_words_what_was_predicted_measured_and_expected(tmp_path: Path) -> None:
    done = command(
        "time-is-distance", "--part", "out-and-back", "--predict", "5.8", folder=tmp_path
    )
    assert done.returncode == 0
    for words in (
        "A plate stands 2 m away",
        "Your prediction: 5.8 ms",
        "measured  11.63",
        "expected  11.63",
        "less than what was measured, 50 % of it",
        "Measurement and theory agree",
        "Why: ",
        "-sheet.html",
    ):
        assert words in done.stdout, words
    assert "keep ears away" not in done.stderr, "the virtual tank is silent"


def test_another_seed_gives_another_noise_and_the_same_seed_the_same(
    taught: tuple[Path, dict[str, Any]], tmp_path: Path
) -> None:
    def measured(seed: str) -> float:
        done = command(
            *("time-is-distance", "--part", "out-and-back", "--json", "--seed", seed),
            folder=tmp_path,
        )
        return float(answer(done)["measured"])

    # The whole lesson was heard with seed 0, the default.
    assert measured("0") == taught[1]["measured"] != measured("2")


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        ((), "give one of time-is-distance"),
        (("time-is-distanse",), "did you mean 'time-is-distance'"),
        (("gone.py",), "no such file"),
        (("time-is-distance", "--predict", "soon"), "give a number of ms"),
        (("time-is-distance", *["--predict", "1"] * 6), "found 6"),
        (("time-is-distance", "--part", "no-such"), "out-and-back, temperature"),
        (("time-is-distance", "--given", "far=2"), "near_m, far_m"),
        (("time-is-distance", "--given", "far_m=wide"), "give a number"),
        (("time-is-distance", "--given", "far_m"), "give a number"),
        (("time-is-distance", "--recording", "one.sigmf-meta"), "there are 13 steps"),
        (("time-is-distance", "--front-end", "sound-card"), "a real bench needs its own plan"),
        (
            ("time-is-distance", "--front-end", "sound-card", "--plan", "plan.toml"),
            "near_m is missing",
        ),
        (
            ("time-is-distance", "--recording", "x.sigmf-meta", "--record"),
            "--record: found with --recording",
        ),
        (("time-is-distance", "--plan", "gone.toml"), "gone.toml"),
    ],
)
def test_wrong_use_is_refused_in_one_line(
    words: tuple[str, ...], complaint: str, tmp_path: Path
) -> None:
    (tmp_path / "plan.toml").write_text(PLAN)
    done = command(*words, folder=tmp_path)
    assert done.returncode == 2, done.stderr
    (line,) = done.stderr.splitlines()
    assert complaint in line


def test_a_choice_that_is_none_is_refused_and_the_choices_listed(tmp_path: Path) -> None:
    (tmp_path / "mine.py").write_text(with_choices(), encoding="utf-8")
    done = command("mine.py", "--predict", "sideways", folder=tmp_path)
    assert done.returncode == 2
    assert "'sooner', 'later'" in done.stderr


def with_choices() -> str:
    before = ('unit="ms",\n', 'verdict=f"Moved')
    after = ('unit="ms", choices=("sooner", "later"),\n', 'choice="later", verdict=f"Moved')
    text = TEMPLATE
    for old, new in zip(before, after, strict=True):
        assert text.count(old) == 1
        text = text.replace(old, new)
    return text


def test_a_teachers_own_lesson_with_choices_runs_like_any_other(tmp_path: Path) -> None:
    (tmp_path / "mine.py").write_text(with_choices(), encoding="utf-8")
    done = command("mine.py", "--predict", "sooner", "--json", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    found = answer(done)
    assert found["choices"] == ["sooner", "later"]
    assert (found["prediction"], found["measured_choice"]) == ("sooner", "later")
    assert found["predicted_rightly"] is False
    # Half a metre out and back, and a little less for the baseline, as computed here by hand.
    ways_m = 2 * (math.hypot(1.5, 0.06) - math.hypot(1.0, 0.06))
    assert abs(found["measured"] - 1e3 * ways_m / 343.96) <= 2.58 * found["u_measured"]


def test_recordings_in_the_wrong_order_are_refused(
    taught: tuple[Path, dict[str, Any]],
) -> None:
    folder, _ = taught
    mixed = recordings(folder, "blind-zone")
    mixed[1], mixed[3] = mixed[3], mixed[1]
    done = command("time-is-distance", "--part", "blind-zone", *mixed, folder=folder)
    assert done.returncode == 2
    assert "pulse.duration_s: found 0.002, and the step short-burst needs 0.001" in done.stderr


def test_recordings_of_another_plan_s_steps_are_told_to_want_that_plan(
    taught: tuple[Path, dict[str, Any]],
) -> None:
    folder, _ = taught
    (folder / "plan.toml").write_text(PLAN.replace("12000", "14000"))
    done = command(
        *("time-is-distance", "--part", "blind-zone", "--plan", "plan.toml"),
        *recordings(folder, "blind-zone"),
        folder=folder,
    )
    assert done.returncode == 2
    assert "with --plan the bench's plan" in done.stderr


def test_a_recording_is_never_overwritten_and_that_is_said_before_a_ping(
    taught: tuple[Path, dict[str, Any]],
) -> None:
    folder, _ = taught
    done = command("time-is-distance", "--record", "--out", "class", folder=folder)
    assert done.returncode == 1
    assert "already there" in done.stderr
    assert "measured" not in done.stdout


def test_own_plan_rules_in_the_virtual_tank(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(PLAN + "[geometry]\nbaseline_m = 0.3\n")
    done = command(
        *("time-is-distance", "--part", "out-and-back", "--plan", "plan.toml", "--json"),
        folder=tmp_path,
    )
    assert done.returncode == 0, done.stderr
    found = answer(done)
    due_ms = 1e3 * 2 * math.hypot(2.0, 0.15) / 343.963
    assert abs(found["measured"] - due_ms) <= 2.58 * found["u_measured"]


NOT_HEARD = """
import dataclasses
_part = LESSON.parts[0]
_gone = dataclasses.replace(_part.steps[1], scene={**_part.steps[1].scene, "target": []})
LESSON = dataclasses.replace(
    LESSON,
    parts=(dataclasses.replace(_part, name="gone", steps=(_part.steps[0], _gone)), _part),
)
"""


def test_an_echo_that_was_missed_does_not_cost_the_other_parts(tmp_path: Path) -> None:
    (tmp_path / "mine.py").write_text(TEMPLATE + NOT_HEARD, encoding="utf-8")
    done = command("mine.py", "--json", folder=tmp_path)
    assert done.returncode == 1
    found = answer(done)
    assert found["measured"] is None
    assert "an echo is needed within" in found["parts"][0]["problem"]
    assert found["parts"][1]["measured"] == pytest.approx(2.904, abs=0.01)
    assert (tmp_path / found["sheet"]).exists()


def test_a_part_that_a_bench_cannot_do_is_left_out_with_the_reason(tmp_path: Path) -> None:
    # A board's burst rings on: no plain tones for the blind zone.
    burst = '[pulse]\nkind = "burst"\ncentre_hz = 8000.0\ncycles = 8\nring_s = 0.0002\n'
    (tmp_path / "plan.toml").write_text(burst)
    done = command("time-is-distance", "--plan", "plan.toml", "--json", folder=tmp_path)
    assert done.returncode == 1
    assert "part blind-zone is left out" in done.stderr.splitlines()[0], "before part 1"
    parts = answer(done)["parts"]
    assert [part["measured"] is None for part in parts] == [False, False, True, False, True]
    assert "--write air" in parts[2]["problem"]
    page = (tmp_path / answer(done)["sheet"]).read_text(encoding="utf-8")
    assert "Temperature" in page
    assert "Blind zone" not in page


def test_a_device_that_is_not_there_is_said_before_anyone_predicts(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(PLAN)
    done = command(
        *("time-is-distance", "--front-end", "sound-card", "--plan", "plan.toml"),
        *("--device", "no such device", "--part", "out-and-back"),
        *("--given", "near_m=1.0", "--given", "far_m=2.0"),
        folder=tmp_path,
    )
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.count("\n") == 1


UNDRAWN = """
import sys
from blank_paper import no_drawing
from rig.cli import main
with no_drawing():
    sys.exit(main(sys.argv[1:]))
"""


def in_terminal(folder: Path, words: list[str], typed: list[tuple[str, str]]) -> tuple[str, int]:
    """Run in a terminal, its pictures undrawn; type each answer once its prompt is there."""
    import pty

    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", UNDRAWN, "lesson", *words],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        close_fds=True,
    )
    os.close(theirs)
    shown, seen = "", 0
    until_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < until_s:
        try:
            came = os.read(ours, 65536)
        except OSError:  # the other end has gone
            break
        if not came:
            break
        shown += came.decode("utf-8", "replace")
        if typed and typed[0][0] in shown[seen:]:
            seen = len(shown)
            os.write(ours, typed.pop(0)[1].encode() + b"\n")
    os.close(ours)
    return shown, process.wait(timeout=PATIENCE_S)


@pytest.fixture
def terminal() -> Callable[[Path, list[str], list[tuple[str, str]]], tuple[str, int]]:
    pytest.importorskip("pty", reason="this system has no terminals of this kind")
    return in_terminal


def test_at_a_terminal_it_asks_and_asks_again_after_a_slip(
    tmp_path: Path, terminal: Callable[..., tuple[str, int]]
) -> None:
    (tmp_path / "mine.py").write_text(with_choices(), encoding="utf-8")
    shown, status = terminal(
        tmp_path,
        ["mine.py"],
        [
            ("Your prediction", "perhaps"),
            ("Your prediction", "2"),
            ("Press Enter to ping", ""),
            ("Press Enter to ping", ""),
        ],
    )
    assert status == 0, shown
    assert "1  sooner" in shown
    assert "give one of 'sooner', 'later'" in shown
    assert "The bench says the same as the prediction" in shown


def test_at_a_terminal_enter_alone_is_no_prediction(
    tmp_path: Path, terminal: Callable[..., tuple[str, int]]
) -> None:
    shown, status = terminal(
        tmp_path,
        ["time-is-distance", "--part", "out-and-back"],
        [
            # What is typed too early is dropped: it is no answer to the next question.
            ("Your prediction", "\nthis was typed early"),
            ("Press Enter to ping", ""),
            ("Press Enter to ping", ""),
        ],
    )
    assert status == 0, shown
    assert "measured  11.63" in shown
    assert "than what was measured" not in shown
