"""Sound servers without a sound card, and the acoustic world behind them.

Two private servers, each in a folder of its own: jackd with its dummy driver in
step with its clients, which is exact; and PulseAudio with two null sinks, reached
through ALSA's pulse plugin as most programs on Linux reach it. The world is a
process of its own: it hears what the program plays, and gives back direct sound
and echoes. Every process is ended by its own number.
"""

from __future__ import annotations

import contextlib
import ctypes.util
import glob
import importlib.util
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import pytest
from starvation import Stretch
from typist import PATIENCE_S

T = TypeVar("T")
HERE = Path(__file__).parent
RATE_HZ = 48000
WORLD_STARTS = 3
TRIES = 3
"""How often a starved machine is given a chance to hear something."""

ASOUND = """\
pcm.tx_out {{ type pulse server "{server}" device "tx" }}
pcm.rx_in  {{ type pulse server "{server}" device "rx.monitor" }}
pcm.tx_in  {{ type pulse server "{server}" device "tx.monitor" }}
pcm.rx_out {{ type pulse server "{server}" device "rx" }}
pcm.bench  {{ type asym playback.pcm "tx_out" capture.pcm "rx_in" }}
pcm.world  {{ type asym playback.pcm "rx_out" capture.pcm "tx_in" }}
pcm.default {{ type asym playback.pcm "tx_out" capture.pcm "rx_in" }}
"""

PULSE_SCRIPT = """\
.fail
load-module module-native-protocol-unix auth-anonymous=1 socket={folder}/native
load-module module-null-sink sink_name=tx rate={rate} format=float32le channels=1 \
channel_map=mono norewinds=1
load-module module-null-sink sink_name=rx rate={rate} format=float32le channels=1 \
channel_map=mono norewinds=1
set-default-sink tx
set-default-source rx.monitor
"""

PULSE_SETTINGS = """\
exit-idle-time = -1
flat-volumes = no
enable-shm = no
realtime-scheduling = no
high-priority = no
default-sample-rate = {rate}
alternate-sample-rate = {rate}
default-sample-format = float32le
"""


@dataclass(kw_only=True)
class Server:
    """A running sound server and how to reach it."""

    kind: str
    process: subprocess.Popen[bytes]
    environment: dict[str, str] = field(default_factory=dict)
    device: str = ""
    log: Path

    slips: int = 0
    """How many buffers the worlds behind it were late with, or lost, by their own count."""

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()


def end(process: subprocess.Popen[bytes]) -> None:
    """End one process, kindly at first; jackd may outlive a kind word."""
    with contextlib.suppress(ProcessLookupError):
        process.send_signal(signal.SIGCONT)
    process.terminate()
    try:
        process.wait(2)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def missing_packages() -> list[str]:
    """Name what this machine lacks for the audio tests."""
    needs = {
        "libportaudio2": ctypes.util.find_library("portaudio"),
        "jackd2": shutil.which("jackd"),
        "pulseaudio": shutil.which("pulseaudio"),
        "pulseaudio-utils": shutil.which("pactl"),
        "libasound2-plugins": glob.glob("/usr/lib/*/alsa-lib/libasound_module_pcm_pulse.so"),
        "JACK-Client (PyPI)": importlib.util.find_spec("jack"),
        "sounddevice (PyPI)": importlib.util.find_spec("sounddevice"),
    }
    return [name for name, found in needs.items() if not found]


@pytest.fixture(scope="session")
def _packages() -> None:
    missing = missing_packages()
    if not missing:
        return
    if os.environ.get("CI") == "true":
        pytest.fail(f"the audio tests need: {', '.join(missing)}")
    pytest.skip(f"the audio tests need: {', '.join(missing)}")


def _wait_until(ready, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while True:
        # Asked first: what a process did before it ended is then there to be seen.
        has_ended = process.poll() is not None
        if ready():
            return
        if has_ended or time.monotonic() > deadline:
            pytest.fail(f"{process.args} did not come up: {log.read_text(errors='replace')}")
        time.sleep(0.05)


def _forget_killed_servers() -> None:
    """Drop jackd's list of servers, which holds eight, killed ones too, if none of them lives."""
    for comm in Path("/proc").glob("[0-9]*/comm"):
        with contextlib.suppress(OSError):
            if comm.read_text().strip() == "jackd":
                return
    with contextlib.suppress(OSError):
        Path("/dev/shm/jack-shm-registry").unlink()


@contextlib.contextmanager
def jack(folder: Path, *, period: int = 1024) -> Iterator[Server]:
    folder.mkdir(parents=True)
    log = folder / "server.log"
    name = f"echobench_{os.getpid()}_{folder.name}"
    environment = {
        "JACK_DEFAULT_SERVER": name,
        "JACK_NO_START_SERVER": "1",
        "JACK_NO_AUDIO_RESERVATION": "1",
        "ALSA_CONFIG_PATH": "/usr/share/alsa/alsa.conf",
    }
    _forget_killed_servers()
    command = ["jackd", "-n", name, "--no-realtime", "--sync", "-t", "2000"]
    command += ["-d", "dummy", "-r", str(RATE_HZ), "-p", str(period), "-C", "2", "-P", "2"]
    with log.open("wb") as output:
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=output,
            env=os.environ | environment,
        )

    def answers() -> bool:
        found = subprocess.run(
            ["jack_wait", "-s", name, "-c"],
            env=os.environ | environment,
            capture_output=True,
            check=False,
        )
        return found.stdout.strip() == b"running"

    try:
        _wait_until(answers, process, log)
        yield Server(kind="jack", process=process, environment=environment, device="world", log=log)
    finally:
        end(process)
        for left in glob.glob(f"/dev/shm/jack*{name}*"):
            with contextlib.suppress(OSError):
                os.unlink(left)


@contextlib.contextmanager
def pulse(folder: Path) -> Iterator[Server]:
    for part in ("home", "run", "state"):
        (folder / part).mkdir(parents=True, mode=0o700)
    folder.chmod(0o700)
    log = folder / "server.log"
    server = f"unix:{folder}/native"
    (folder / "script.pa").write_text(PULSE_SCRIPT.format(folder=folder, rate=RATE_HZ))
    (folder / "daemon.conf").write_text(PULSE_SETTINGS.format(rate=RATE_HZ))
    (folder / "asound.conf").write_text(ASOUND.format(server=server))
    environment = {
        "ALSA_CONFIG_PATH": f"{folder}/asound.conf",
        "JACK_NO_START_SERVER": "1",
        "PULSE_SERVER": server,
        "PULSE_RUNTIME_PATH": f"{folder}/run",
        "PULSE_STATE_PATH": f"{folder}/state",
        "PULSE_CONFIG_PATH": f"{folder}/home",
        "PULSE_COOKIE": f"{folder}/home/cookie",
    }
    own = {
        "HOME": f"{folder}/home",
        "XDG_RUNTIME_DIR": f"{folder}/run",
        "PULSE_CONFIG": f"{folder}/daemon.conf",
    }
    command = ["pulseaudio", "-n", "-F", f"{folder}/script.pa", "--daemonize=no"]
    command += ["--use-pid-file=no", "--disallow-exit", "--exit-idle-time=-1"]
    command += ["--log-target=stderr", "--log-level=notice"]
    with log.open("wb") as output:
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=output,
            env=os.environ | environment | own,
        )

    def answers() -> bool:
        found = subprocess.run(
            ["pactl", "info"], env=os.environ | environment, capture_output=True, check=False
        )
        return found.returncode == 0

    try:
        _wait_until(answers, process, log)
        yield Server(
            kind="pulse", process=process, environment=environment, device="bench", log=log
        )
    finally:
        end(process)


@contextlib.contextmanager
def world(
    server: Server, *words: str, script: str | None = None
) -> Iterator[subprocess.Popen[bytes]]:
    """Put an acoustic world behind a server, for as long as the context lasts.

    The words are what its script takes: the taps, and a wire's delay, unless another
    script is named. What it prints is in ``world.log`` beside the server's own log.
    """
    usual = {"jack": "world_in_jack.py", "pulse": "world_in_alsa.py"}[server.kind]
    log = server.log.with_name("world.log")
    # PortAudio gives up on PulseAudio behind ALSA in some starts on a busy machine.
    for _ in range(WORLD_STARTS):
        with log.open("wb") as output:
            process = subprocess.Popen(
                [sys.executable, str(HERE / (script or usual)), *words],
                stdout=output,
                stderr=output,
                env=os.environ | server.environment | {"MALLOC_PERTURB_": "255"},
            )
        ready = False
        try:
            _wait_until(
                lambda world=process: (
                    b"ready" in log.read_bytes().splitlines() or world.poll() is not None
                ),
                process,
                log,
            )
            ready = process.poll() is None
            if ready:
                yield process
                return
        finally:
            end(process)
            if ready:
                server.slips += log.read_text(errors="replace").count("slipped: ")
    pytest.fail(f"the world ended at each start: {log.read_text(errors='replace')}")


def heard_or_starved(server: Server, attempt: Callable[[int], T | None]) -> T | None:
    """Return what an attempt brings; None, and say so, where the machine starved each.

    A starved machine may lose all pings of a run: sound goes on without those who are late.
    That is accepted where somebody else counted it too: the kernel, or the attempt's own
    world. A loss that nobody saw is tried again, and must not come each time.
    """
    unseen = 0
    for number in range(TRIES):
        stretch, before = Stretch(), server.slips
        found = attempt(number)
        if found is not None:
            return found
        slips = server.slips - before
        seen = stretch.starved or f"the world slipped {slips} times" * (slips > 0)
        unseen += not seen
        print(f"{server.kind}: nothing was heard; {seen or 'nobody saw why'}", file=sys.stderr)
    assert unseen < TRIES, f"{server.kind}: nothing was heard, and the machine had time for it"
    return None


SERVERS = {"jack": jack, "pulse": pulse}


@pytest.fixture(autouse=True)
def _perturbed_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    # Memory that is played before it is filled then sounds, instead of being silent
    # by luck.
    monkeypatch.setenv("MALLOC_PERTURB_", "255")


@pytest.fixture(params=["jack", "pulse"])
def server(
    request: pytest.FixtureRequest,
    _packages: None,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> Iterator[Server]:
    """A server of its own for each test, which it may kill."""
    with SERVERS[request.param](tmp_path / request.param) as running:
        for key, value in running.environment.items():
            monkeypatch.setenv(key, value)
        yield running


@pytest.fixture
def jack_server(
    _packages: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., contextlib.AbstractContextManager[Server]]:
    """A function that starts a JACK server of its own, named, with buffers of its own."""

    @contextlib.contextmanager
    def started(name: str, *, period: int) -> Iterator[Server]:
        with jack(tmp_path / name, period=period) as running, monkeypatch.context() as set_here:
            for key, value in running.environment.items():
                set_here.setenv(key, value)
            yield running

    return started


@pytest.fixture(name="heard_or_starved")
def _heard_or_starved():
    """The function :func:`heard_or_starved`."""
    return heard_or_starved


@pytest.fixture
def acoustic_world():
    """The function :func:`world`."""
    return world
