"""An emulated board on a bench whose echoes are laid by hand."""

import time
from collections.abc import Callable, Iterator
from types import SimpleNamespace

import numpy as np
import pytest
from starvation import patient_s

from rig.bench.plan import Plan, plan_from_table
from rig.front_ends.board import port
from rig.front_ends.board.emulator import SOUND_RATE_HZ, BoardEmulator
from rig.front_ends.board.serial_board import SerialBoard
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.run.results import PingResult

PLAN = {
    "pulse": {"kind": "burst", "centre_hz": 40e3, "cycles": 12, "ring_s": 60e-6},
    "timing": {"sample_rate_hz": 62500.0, "ping_interval_s": 0.05, "band_sampling": True},
    "receiver": {"range_start_m": 0.2, "range_stop_m": 2.0},
    "geometry": {"baseline_m": 0.03, "time_zero": "calibration", "u_time_zero_s": 1e-6},
    "transducer": {"radius_m": 0.008},
}
FULL_SCALE_MV = 2500.0
LEAK_MV = 1000.0  # straight from sender to receiver


def _plan(tables: dict[str, dict]) -> Plan:
    names = {*PLAN, *tables}
    whole = {name: PLAN.get(name, {}) | tables.get(name, {}) for name in names}
    # A key set to None is left out.
    return plan_from_table(
        {name: {k: v for k, v in keys.items() if v is not None} for name, keys in whole.items()}
    )


def delayed(wave: np.ndarray, delay_s: float, samples: int = 40000) -> np.ndarray:
    """The wave, later by any part of a sample: turned in the frequency domain."""
    spectrum = np.fft.rfft(wave.astype(float), 2 * samples)
    turns = np.fft.rfftfreq(2 * samples, 1 / SOUND_RATE_HZ) * delay_s
    return np.fft.irfft(spectrum * np.exp(-2j * np.pi * turns))[:samples]


class Bench:
    """A board and what comes back to it."""

    def __init__(self, plan: Plan, number: int) -> None:
        self.plan = plan
        self.emulator = BoardEmulator(plan.board.baud, number=number)
        self.before_ping: Callable[[int], object] = id  # nothing

    def connect(self) -> None:
        self.board = SerialBoard(
            self.plan,
            self.emulator.port_name,
            front_end="emulated-board",
            before_ping=lambda ping: self.before_ping(ping),
            paced=False,
        )

    def take_wave(self) -> None:
        """Ping into nothing and keep what the drive pins sent, its envelope's peak at 1."""
        burst = self.plan.pulse
        for which in (0, 1):
            self.emulator.command(f"resonance {which} {burst.centre_hz} {burst.ring_s}")
        for _ in self.board.blocks(1):
            pass
        wave = self.emulator.wave().astype(float)
        analytic = np.fft.fft(wave)
        analytic[wave.size // 2 :] = 0
        self.wave = wave / np.abs(2 * np.fft.ifft(analytic)).max()

    def place(self, *echoes_mv_s: tuple[float, float], leak_s: float = 0.03 / 343) -> None:
        """Lay echoes, each of an amplitude in mV and a delay, behind the direct sound."""
        paths = [(LEAK_MV, leak_s), *echoes_mv_s]
        self.emulator.play(
            sum(mv / FULL_SCALE_MV * delayed(self.wave, delay_s) for mv, delay_s in paths)
        )

    def noise(self, mv: float, seed: int) -> None:
        self.emulator.set_noise(mv / FULL_SCALE_MV, seed)

    def results(self, pings: int) -> list[PingResult]:
        """Ping, and do with the samples what is done with every front end's."""
        receiver = Receiver(self.plan, self.board.info)
        return list(ping_results(receiver, self.board.blocks(pings)))

    def close(self) -> None:
        self.board.close()
        self.emulator.close()


@pytest.fixture(autouse=True)
def _patience_with_a_starved_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """The emulated board needs a processor to answer in time."""
    monkeypatch.setattr(port, "time", SimpleNamespace(monotonic=patient_s, sleep=time.sleep))


@pytest.fixture
def board_plan():
    """A plan for a board, with other values for some tables' keys."""
    return lambda **tables: _plan(tables)


@pytest.fixture
def make_bench() -> Iterator[Callable[..., Bench]]:
    """Benches with boards that answer, each ended with the test."""
    made = []

    def make(*, number: int = 1, **tables: dict) -> Bench:
        bench = Bench(_plan(tables), number)
        made.append(bench)
        bench.connect()
        bench.take_wave()
        return bench

    yield make
    for bench in made:
        bench.close()
