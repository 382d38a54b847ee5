"""The program that runs a board's firmware: built once, started, told what to do.

Firmware and program are built with the compilers of the system, from ``hardware_notes`` or
from the copy of their sources that an installed package has. The program links the simavr
library, which is GPL-3, and is kept apart from this one: the two talk over pipes and a
pseudo-terminal.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import subprocess
import tempfile
import threading
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rig.bench.closing import Closing
from rig.errors import DeviceError

SOUND_RATE_HZ = 1e6
"""Of the waves that go to and come from the program: one sample a microsecond."""

MIDDLE_MV = 2500.0
"""The receiver's resting voltage; full scale lies as far above it and below."""


def _sources() -> Path:
    """Return where ``firmware`` and ``emulator`` lie: packed beside this, or in the checkout."""
    packed = Path(__file__).with_name("sources")
    return packed if packed.is_dir() else Path(__file__).parents[3] / "hardware_notes"


_SOURCES = _sources()

# What is looked for, and the Debian package that brings it.
_NEEDED = {
    "avr-gcc": "gcc-avr",
    "avr-objcopy": "binutils-avr",
    "gcc": "gcc",
    "make": "make",
    "pkg-config": "pkg-config",
    "/usr/lib/avr/include/avr/io.h": "avr-libc",
    "/usr/include/simavr/sim_avr.h": "libsimavr-dev",
    "/usr/include/libelf.h": "libelf-dev",
}


def missing_packages() -> tuple[str, ...]:
    """Return the Debian packages that an emulated board still needs."""
    return tuple(
        package
        for thing, package in _NEEDED.items()
        if not (os.path.exists(thing) if thing.startswith("/") else shutil.which(thing))
    )


def built_board(baud: int, *, number: int = 1) -> Path:
    """Build firmware and program, unless that has been done; return their folder.

    Raises
    ------
    DeviceError
        Where packages or sources are missing, or a compiler complains.
    """
    if not _SOURCES.is_dir():
        raise DeviceError(
            f"emulated board: its sources are not in {_SOURCES}; install echobench anew, "
            "or run from a checkout"
        )
    folder = _cache() / f"board-{_fingerprint(baud, number)}"
    if folder.is_dir():
        return folder
    missing = missing_packages()
    if missing:
        raise DeviceError(
            f"emulated board: the Debian packages {', '.join(missing)} are missing; "
            f"install them: apt-get install {' '.join(missing)}"
        )
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent) as work:
        _make(_SOURCES / "firmware", work, BAUD=baud, NUMBER=number)
        _make(_SOURCES / "emulator", work)
        # Whoever else was building at the same time has built the same.
        with contextlib.suppress(OSError):
            os.rename(work, folder)
            os.mkdir(work)
    return folder


class BoardEmulator(Closing):
    """A running board: its serial port is :attr:`port_name`.

    Parameters
    ----------
    baud : int
    number : int
        Of the board.

    Raises
    ------
    DeviceError
        Where it cannot be built or started.
    """

    def __init__(self, baud: int, *, number: int = 1) -> None:
        built = built_board(baud, number=number)
        self._turn = threading.Lock()  # each command gets its own answer
        self._folder = Path(tempfile.mkdtemp(prefix="echobench-board-"))
        self.port_name = str(self._folder / "port")
        self._process = subprocess.Popen(
            [str(built / "runner"), str(built / "board.elf"), self.port_name, str(baud)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        if self._answer() != "ready":
            self.close()
            raise DeviceError("emulated board: does not start; build it by hand and look why")

    def command(self, text: str) -> str:
        """Give a command of ``hardware_notes/emulator/README.md``; return the answer.

        Raises
        ------
        DeviceError
            Where the program did not do as told, or has ended.
        """
        if self._process.stdin is None:
            raise DeviceError("emulated board: takes no commands; start it again")
        with self._turn:
            try:
                self._process.stdin.write(text + "\n")
                self._process.stdin.flush()
            except (OSError, ValueError) as problem:
                raise DeviceError("emulated board: has ended; start it again") from problem
            answer = self._answer()
        if not answer.startswith("ok"):
            raise DeviceError(
                f"emulated board: {answer or 'has ended'} at {text!r}; start it again"
            )
        return answer

    def report(self) -> dict[str, float]:
        """Return what the program has counted and measured; see its README."""
        words = self.command("report").split()[1:]
        return {name: float(value) for name, _, value in (word.partition("=") for word in words)}

    def wave(self) -> NDArray[np.float32]:
        """Return the last burst as the pair of transducers passes it on.

        Returns
        -------
        ndarray of float32, shape (samples,)
            At :data:`SOUND_RATE_HZ` by the board's clock, from the first edge; a long
            burst comes to 1.
        """
        path = self._folder / "wave"
        self.command(f"wave {path}")
        return np.fromfile(path, dtype="<f4")

    def play(self, sound: NDArray[np.floating]) -> None:
        """Give what comes back from each burst, relative to full scale.

        Parameters
        ----------
        sound : ndarray, shape (samples,)
            At :data:`SOUND_RATE_HZ` by the board's clock, from the first edge on.
        """
        path = self._folder / "sound"
        (np.asarray(sound) * MIDDLE_MV).astype("<f4").tofile(path)
        self.command(f"sound {path}")

    def set_noise(self, rms: float, seed: int) -> None:
        """Set white noise at the converter, relative to full scale."""
        self.command(f"noise {rms * MIDDLE_MV:.6f} {seed}")

    def close(self) -> None:
        """End the program. May be called twice."""
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        try:
            self._process.wait(2)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        shutil.rmtree(self._folder, ignore_errors=True)

    def _answer(self) -> str:
        return "" if self._process.stdout is None else self._process.stdout.readline().strip()


def _cache() -> Path:
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "echobench"


def _fingerprint(baud: int, number: int) -> str:
    """Tell builds of different sources or settings apart."""
    digest = hashlib.sha256(f"{baud} {number}".encode())
    for part in ("firmware", "emulator"):
        for path in sorted((_SOURCES / part).glob("*")):
            if path.suffix in (".c", ".h") or path.name == "Makefile":
                digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:16]


def _make(folder: Path, out: str, **settings: int) -> None:
    """Run make in `folder`, its products going to `out`."""
    words = [f"{name}={value}" for name, value in settings.items()]
    done = subprocess.run(
        ["make", "--silent", "-C", str(folder), f"OUT={out}", *words],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        lines = (done.stderr or done.stdout).strip().splitlines()
        raise DeviceError(
            f"emulated board: make in {folder} fails ({lines[0] if lines else 'without a word'}); "
            "run it by hand to see all"
        )
