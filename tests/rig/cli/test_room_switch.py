"""The switch `--room` on the command line."""

from __future__ import annotations

import socket
from pathlib import Path

import numpy as np
import pytest
from small_bench import PLAN
from typist import typed

from rig.show.room.room import Room


@pytest.fixture
def shown(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, tuple[str, ...], str, bool]]:
    """What the room is shown: heading, lines, ending, and whether the picture has ink."""
    taken: list[tuple[str, tuple[str, ...], str, bool]] = []

    def show(_room, dots, head, lines=(), *, ending=""):  # type: ignore[no-untyped-def]
        taken.append((head, tuple(lines), ending, bool(np.asarray(dots)[..., :3].min() < 100)))

    monkeypatch.setattr(Room, "show", show)
    return taken


@pytest.mark.parametrize(
    ("given", "status", "complaint"),
    [
        ("0.0.0.0", 2, "no single address"),
        ("192.0.2.77", 1, "nothing can be served at 192.0.2.77"),
        ("a recording", 2, "no address"),
    ],
)
def test_address_that_cannot_be_served_is_said_before_a_ping(
    tmp_path: Path, given: str, status: int, complaint: str
) -> None:
    done = typed("demo", "--room", given, "--pings", "1", folder=tmp_path)
    assert done.returncode == status
    assert complaint in done.stderr
    assert "Traceback" not in done.stderr
    assert not list(tmp_path.iterdir())


def test_port_that_is_taken_is_said_before_a_ping(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        taken = f"127.0.0.1:{other.getsockname()[1]}"
        done = typed("demo", "--room", taken, "--pings", "1", folder=tmp_path)
    assert done.returncode == 1
    assert "a port that is free" in done.stderr


def test_room_changes_no_answer_and_is_shown_the_last_ping(
    tmp_path: Path, shown: list[tuple[str, tuple[str, ...], str, bool]]
) -> None:
    (tmp_path / "plan.toml").write_text(PLAN)
    run = ("run", "--plan", "plan.toml", "--pings", "4", "--json")
    without = typed(*run, folder=tmp_path)
    with_room = typed(*run, "--room", "127.0.0.1:0", folder=tmp_path)
    assert without.returncode == with_room.returncode == 0
    assert with_room.stdout == without.stdout
    head, _, ending, has_ink = shown[-1]
    assert head.startswith("Ping 3: ")
    assert ending == "All pings done"
    assert has_ink


def test_lesson_on_a_terminal_shows_the_room_its_question_then_what_was_measured(
    tmp_path: Path, shown: list[tuple[str, tuple[str, ...], str, bool]]
) -> None:
    lesson = ("lesson", "time-is-distance", "--part", "out-and-back", "--predict", "6")
    done = typed(*lesson, "--room", "127.0.0.1:0", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    (asked, question, _, _), (_, told, _, has_ink) = shown
    assert asked == "Time is distance"
    assert len(question) == 1
    assert told[0] == question[0]
    assert any("easured" in line for line in told[1:])
    assert has_ink
