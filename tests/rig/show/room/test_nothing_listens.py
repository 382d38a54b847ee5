"""Without the switch no command listens: from the system's list, and from what Python binds."""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from small_bench import PLAN
from typist import PATIENCE_S, SCREENS

LISTENS = "0A"
"""A socket's state in /proc/net/tcp (Linux, include/net/tcp_states.h: TCP_LISTEN is 10)."""

LOOPBACK = "0100007F"
"""127.0.0.1 as that list writes it on a machine of little end."""


def listening_at(pid: int) -> list[str]:
    """Return the addresses, as the system writes them, at which a process listens."""
    own = set()
    for descriptor in Path(f"/proc/{pid}/fd").iterdir():
        with contextlib.suppress(OSError):  # closed meanwhile
            found = re.fullmatch(r"socket:\[(\d+)\]", os.readlink(descriptor))
            if found is not None:
                own.add(found[1])
    rows = [
        line.split()
        for table in ("tcp", "tcp6")
        for line in Path(f"/proc/{pid}/net/{table}").read_text().splitlines()[1:]
    ]
    return [row[1].partition(":")[0] for row in rows if row[3] == LISTENS and row[9] in own]


@contextlib.contextmanager
def pinging(*words: str, folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Give a command that pings for long, and wait for its first ping."""
    process = subprocess.Popen(
        [sys.executable, "-m", "rig.cli", *words, "--pings", "100000"],
        cwd=folder,
        env={key: value for key, value in os.environ.items() if key not in SCREENS},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        assert process.stdout is not None
        assert any(re.match(r" +0 ", line) for line in process.stdout), "no ping came"
        yield process
    finally:
        process.kill()
        process.communicate(timeout=PATIENCE_S)


@pytest.mark.skipif(sys.platform != "linux", reason="the list of sockets is Linux's own")
@pytest.mark.parametrize(
    ("switch", "where"),
    [
        ((), []),
        (("--room",), [LOOPBACK]),
    ],
    ids=["without", "with"],
)
def test_a_process_listens_only_where_it_was_asked_to(
    tmp_path: Path, switch: tuple[str, ...], where: list[str]
) -> None:
    (tmp_path / "plan.toml").write_text(PLAN)
    run = ("run", "--plan", "plan.toml", "--picture", "p.png")
    with pinging(*run, *switch, folder=tmp_path) as process:
        assert listening_at(process.pid) == where


COMMANDS = """
import sys
sys.addaudithook(lambda event, what: event == "socket.bind" and print("BOUND", what))
from rig.cli import main

run = ("run", "--plan", "plan.toml", "--pings", "4", "--seed", "3", "--json")
for words in (
    ("plan", "--plan", "plan.toml", "--json"),
    (*run, "--record", "a"),
    ("demo", "--pings", "3", "--json"),
    ("replay", "a.sigmf-meta", "--json"),
    ("measure", "a.sigmf-meta", "--json"),
    ("lesson", "time-is-distance", "--part", "out-and-back", "--predict", "6", "--out", "."),
    ("exercise", "--list"),
):
    print("\\nGAVE", words[0], main(words))
print("\\nGAVE room", main((*run, "--room", "127.0.0.1:0")))
"""


def test_no_command_binds_a_socket_unless_the_room_is_asked_for(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(PLAN)
    done = subprocess.run(
        [sys.executable, "-c", COMMANDS],
        cwd=tmp_path,
        env={key: value for key, value in os.environ.items() if key not in SCREENS},
        capture_output=True,
        text=True,
        check=True,
        timeout=PATIENCE_S,
    )
    without, _, rest = done.stdout.partition("GAVE exercise")
    assert "BOUND" not in without
    assert re.findall(r"GAVE \S+ (\d)", done.stdout) == ["0"] * 8
    # The same hook sees the room's.
    assert rest.count("BOUND") == 1
    assert "('127.0.0.1', 0)" in rest
