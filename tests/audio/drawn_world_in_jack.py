"""The acoustic world as a JACK client, laid out anew for each sound that it hears.

Run with a JSON file: ``seed``; ``noise``, the RMS at each output, the first of which is the
microphone; and ``sounds``, a list with an item for each sound to come: for each output a
list of ``[delay, gain]``. Delays are in samples and need not be whole. From ``noise_from``
samples after a sound's beginning on, for ``noise_samples``, the noise is the sound's own,
the same whenever it comes, so that a run can be repeated. ``knocks``, which may be left out,
is a list of ``[sound, delay, amplitude]``: something is struck so long after that sound's
beginning, and heard at the microphone. A sound begins where silence
ends, and lasts :data:`LONGEST` samples at the most. On ending it says how many sounds it
heard; those beyond the list stay unanswered.

Delays between samples are made with a windowed sinc; no part of the program is used.
"""

from __future__ import annotations

import json
import math
import signal
import sys
import threading
from pathlib import Path

import numpy as np

LONGEST, SILENCE = 320, 320
REACH = 48
"""Half the length of the sinc. With a Kaiser window of β = 9 what it does between 4 and
12 kHz at 48 kHz is right to 1e-5 (computed)."""


def shifted(samples: np.ndarray, delay: float) -> tuple[int, np.ndarray]:
    """Delay samples by any time; return the whole samples to delay the result by, and it."""
    whole = math.floor(delay)
    away = np.arange(-REACH + 1, REACH + 1) - (delay - whole)
    window = np.i0(9 * np.sqrt(np.clip(1 - (away / REACH) ** 2, 0, None))) / np.i0(9.0)
    return whole - REACH + 1, np.convolve(samples, np.sinc(away) * window)


def struck(random: np.random.Generator) -> np.ndarray:
    """Return 20 ms of what a tap on a table may be: damped oscillations, its peak 1."""
    since = np.arange(960.0)
    sound = np.zeros(since.size)
    for _ in range(6):
        turn, lasts = np.exp(random.uniform(np.log(0.07), np.log(1.5))), random.uniform(48, 480)
        sound += random.normal() * np.exp(-since / lasts) * np.sin(turn * since)
    return sound / np.abs(sound).max()


class World:
    """Hears sounds and answers each in its own way."""

    def __init__(self, table: dict) -> None:
        self._table = table
        self._rms = np.array(table["noise"])[:, np.newaxis]
        self._background = np.random.default_rng(table["seed"])
        self.count = 0
        self._heard = np.zeros(0)  # from the beginning of the sound under way
        self._quiet = SILENCE
        # Position of the first sample, and samples of shape (outputs, samples).
        self._noises: list[tuple[int, np.ndarray]] = []
        self._echoes: list[tuple[int, np.ndarray]] = []
        self._position = 0

    def __call__(self, heard: np.ndarray) -> np.ndarray:
        """Take one buffer and return what each output gives back in the same one."""
        frames = heard.size
        if self._heard.size:
            self._heard = np.concatenate([self._heard, heard])
        else:
            sounding = np.flatnonzero(heard)
            if sounding.size and self._quiet + sounding[0] >= SILENCE:
                self._heard = heard[sounding[0] :].astype(float)
            self._quiet = self._quiet + frames if not sounding.size else frames - sounding[-1] - 1
        end = self._position + frames
        if self._heard.size >= LONGEST:
            self._answer(self._heard[:LONGEST], end - self._heard.size)
            self._quiet = self._heard.size - 1 - int(np.flatnonzero(self._heard)[-1])
            self._heard = np.zeros(0)
        given = self._background.normal(0, 1, (self._rms.size, frames)) * self._rms
        for place, samples in _overlapping(self._noises, self._position, end):
            given[:, place] = samples
        for place, samples in _overlapping(self._echoes, self._position, end):
            given[:, place] += samples
        self._position = end
        return given

    def _answer(self, sound: np.ndarray, begun: int) -> None:
        table, number = self._table, self.count
        self.count += 1
        if number >= len(table["sounds"]):
            return
        if begun + table["noise_from"] < self._position:
            raise ValueError("noise_from: give more than a sound lasts")
        rng = np.random.default_rng([table["seed"], number])
        noise = rng.normal(0, 1, (self._rms.size, table["noise_samples"])) * self._rms
        self._noises.append((begun + table["noise_from"], noise))
        for output, lines in enumerate(table["sounds"][number]):
            for delay, gain in lines:
                after, samples = shifted(sound, delay)
                answer = np.zeros((self._rms.size, samples.size))
                answer[output] = gain * samples
                self._echoes.append((begun + after, answer))
        for of, delay, amplitude in table.get("knocks", []):
            if of == number:
                samples = struck(np.random.default_rng([table["seed"], number, 1]))
                answer = np.zeros((self._rms.size, samples.size))
                answer[0] = amplitude * samples
                self._echoes.append((begun + delay, answer))


def _overlapping(
    due: list[tuple[int, np.ndarray]], start: int, stop: int
) -> list[tuple[slice, np.ndarray]]:
    """What of the due falls between two positions, and where; what is then over is dropped."""
    found = []
    for begin, samples in due:
        first, last = max(begin, start), min(begin + samples.shape[1], stop)
        if first < last:
            found.append(
                (slice(first - start, last - start), samples[:, first - begin : last - begin])
            )
    due[:] = [(begin, samples) for begin, samples in due if begin + samples.shape[1] > stop]
    return found


def main(path: str) -> None:
    """Join the server that the environment names, and answer until told to end."""
    import jack

    table = json.loads(Path(path).read_text(encoding="utf-8"))
    world = World(table)
    client = jack.Client("world", no_start_server=True)
    source = client.inports.register("in_1")
    targets = [client.outports.register(f"out_{n + 1}") for n in range(len(table["noise"]))]

    @client.set_process_callback
    def process(_: int) -> None:
        for row, target in zip(world(source.get_array()), targets, strict=True):
            target.get_array()[:] = row

    ended = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: ended.set())
    client.set_shutdown_callback(lambda *_: ended.set())
    client.set_xrun_callback(lambda late_us: print(f"slipped: {late_us:g} us", flush=True))
    with client:
        print("ready", flush=True)
        ended.wait()
    print(f"sounds heard: {world.count}", flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
