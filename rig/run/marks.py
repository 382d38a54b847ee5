"""Finding the time-zero mark of a block: the direct sound, or the loopback's pulse.

After a slip the mark may have moved, or have left its block altogether while an echo
stands in its place. So a mark is known by more than its being the first sound: by where
it is due, by its strength, and by the other sounds around it.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.ping.first_sound.arrivals import (
    FALSE_ALARM_RATE,
    first_arrival,
    in_doubt,
    sounds_like,
    unexplained_ahead,
)
from dsp.ping.first_sound.punctual import standing_peak
from dsp.ping.noise.noise import fewest_bins
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.peaks import Peak
from dsp.ping.pulse.profiles import unlike_share
from dsp.ping.pulse.pulses import Pulse
from dsp.ping.pulse.same_ways import same_ways_apart_s
from dsp.ping.search.search import sounds_ahead
from rig.bench.capture import CaptureBlock, StreamInfo
from rig.bench.plan import SLOWEST_SOUND_M_S, Plan
from rig.run.compressors import compressor_for
from rig.run.spectra import BLOCKS_KEPT, Spectra

_CELLS = 16
"""Independent cells of noise that a search goes by at the least, where the block has them."""

MARK_WINDOW_S = 0.001
"""The time-zero mark is looked for this far to each side of where it is due."""

LIKE_DB = 1.5
"""Two marks of one stream are as strong as each other within this, and their noise."""

MATTERS, MOST_UNLIKE = 0.3, 0.2
"""A mark that moved is known by the sounds around it that have at least 0.3 of its
amplitude, if these differ in less than 0.2 of their energy from those around a known
mark. An echo that is taken for the mark lacks the echo that it is itself: with as much
as 1.5 dB less than the mark that is 0.7 / 1.7 = 0.4 of the energy, if there is no other,
and more with each other that there is."""

CLEARLY = 0.03
"""One of two likenesses is clearly the better by this much of the energy."""

FASTEST_M_S, FARTHEST_S = 1.0, 0.003
"""A target moves no faster, a slow walk, and is looked for no farther off than this from
where it stood: less than the lead, so that a slip cannot pass for a movement."""

MOST_SOUNDS = 12
"""No more of a ping's sounds, the strongest, are held against a mark. It bounds the time alone:
with all of them the tests of slips find the same."""


class MarkSearch:
    """Finds the marks of one stream.

    Parameters
    ----------
    plan : Plan
        At the stream's rate.
    info : StreamInfo
    pulses : sequence of Pulse
        That the plan sends in turns.
    spectra : Spectra
        Of the stream's blocks.
    fft_samples : int
        Length of their forward FFT.

    Attributes
    ----------
    compressors : tuple of PulseCompressor
        One for each pulse.
    channel : int
        On which the marks are heard, from 0.
    """

    def __init__(
        self,
        plan: Plan,
        info: StreamInfo,
        pulses: Sequence[Pulse],
        spectra: Spectra,
        *,
        fft_samples: int,
    ) -> None:
        # The first sound to arrive is looked for with low side lobes, whatever the plan
        # asks of echoes: in a room it is often weaker than what follows.
        self.compressors = tuple(
            compressor_for(p, plan.interval_samples, weighting="hann", fft_samples=fft_samples)
            for p in pulses
        )
        self._spectra = spectra
        self._interval_s, self._way_s = plan.timing.ping_interval_s, plan.geometry.longest_way_s
        self.channel = info.microphone
        if plan.geometry.time_zero == "loopback" and info.loopback is not None:
            self.channel = info.loopback
        self._whole: dict[CaptureBlock, NDArray[np.complex64]] = {}
        # A block is held against the next ones, and its mark against several sounds.
        self._band = functools.lru_cache(maxsize=BLOCKS_KEPT)(self._band_of)
        self._sounds = functools.lru_cache(maxsize=2)(self._sounds_of)

    def look_ahead(self, blocks: Sequence[CaptureBlock]) -> None:
        """Compress some blocks at once in which a mark is going to be looked for."""
        self._spectra.take(blocks, self.channel)
        self._whole.clear()
        for pulse, compress in enumerate(self.compressors):
            same = [block for block in blocks if block.pulse_index == pulse]
            if same:
                spectra = [self._spectra.of(block, self.channel) for block in same]
                envelopes = compress.from_time_zero(compress.matched_each(spectra), 0.0)
                self._whole.update(zip(same, envelopes, strict=True))

    def find(
        self,
        block: CaptureBlock,
        *,
        due_s: float,
        expected_amplitude: float | None = None,
        pulled_s: float = 0.0,
        anywhere: bool = False,
    ) -> Peak | None:
        """Find the time-zero mark where it is due.

        Parameters
        ----------
        block : CaptureBlock
        due_s : float
            From the block's first sample.
        expected_amplitude : float, optional
            Of the marks before: something much weaker or stronger is not it, unless it
            stands exactly where the mark is due.
        pulled_s : float
            By how much others pulled the marks before, once a search took away what it can.
        anywhere : bool
            If nothing is there, take the first sound of the whole block.

        Returns
        -------
        Peak or None
            Its delay counts from the block's first sample.
        """
        compress = self.compressors[block.pulse_index]
        envelope = self._envelope(block, 0.0)
        shape = compress.shape
        if expected_amplitude is not None:
            standing = standing_peak(
                envelope,
                shape,
                due_s,
                like_amplitude=expected_amplitude,
                within_db=LIKE_DB,
                pulled_s=pulled_s,
            )
            if standing is not None:
                return standing
        # A pulse's side lobes reach back by its own length: what comes so soon after the mark
        # must be known, to be told from it, and so must what comes so soon after that.
        reach_s = MARK_WINDOW_S + 2 * shape.width_s
        stop = math.ceil((due_s + reach_s + 2 * compress.pulse.duration_s) / shape.bin_s)
        # Where echoes fill what is looked at, a block's whole noise tells the mark from it.
        for last in (bins_looked_at(shape, stop), envelope.size):
            near = first_arrival(
                envelope[:last],
                shape,
                start_s=due_s - reach_s,
                stop_s=due_s + reach_s,
                like_amplitude=expected_amplitude,
                due_s=due_s,
                way_s=self._way_s,
            )
            if near is not None or last >= envelope.size:
                break
        if near is not None or not anywhere:
            return near
        return first_arrival(envelope, shape, way_s=self._way_s)

    def in_doubt(self, block: CaptureBlock, mark: Peak) -> str:
        """Say in words what makes a first mark doubtful; empty where nothing does.

        Something weak ahead of it may be the mark itself, and this an echo.
        """
        shape = self.compressors[block.pulse_index].shape
        envelope = self._envelope(block, 0.0)
        ahead = unexplained_ahead(envelope, shape, mark.delay_s, way_s=self._way_s)
        return "" if ahead is None else in_doubt(mark, ahead)

    def find_again(
        self, block: CaptureBlock, *, known_block: CaptureBlock, known_mark: Peak
    ) -> Peak | None:
        """Find a mark that has moved, by what else is heard around it.

        After a slip the mark may be gone from its block, and an echo may stand where it was
        due, as strong as it was. It is the mark only if the sounds around it are those that
        were around a mark that is known.

        Returns
        -------
        Peak or None
            None where no sound, or more than one, may be the mark.
        """
        shape = self.compressors[block.pulse_index].shape
        candidates = sounds_like(
            self._envelope(block, 0.0),
            shape,
            known_mark.amplitude,
            within_db=LIKE_DB + _amplitude_doubt_db(known_mark),
        )

        fitting = [
            mark
            for mark in candidates
            if self._unlike(block, mark, known_block, known_mark) < MOST_UNLIKE
        ]
        return fitting[0] if len(fitting) == 1 else None

    def may_be_an_echo(
        self,
        block: CaptureBlock,
        mark: Peak,
        *,
        known_block: CaptureBlock,
        known_mark: Peak,
    ) -> bool:
        """Say whether a mark that stands where it was due may be an echo that slipped there.

        The sounds around it then differ from those around a known mark, and are more like
        those around an echo of that ping. What moves makes a difference too, but stands near
        where it stood, and no slip brings it there.

        Parameters
        ----------
        block : CaptureBlock
        mark : Peak
        known_block, known_mark : CaptureBlock, Peak
            Of a ping before, if possible one whose next was punctual: what slipped after it is
            not in its block.
        """
        same = alike(mark, known_mark)
        unmoved = self._unlike(block, mark, known_block, known_mark)
        # Nothing can be clearly the better likeness.
        if same and unmoved < CLEARLY:
            return False
        shape = self.compressors[known_block.pulse_index].shape
        passed_s = (block.index - known_block.index) * self._interval_s
        reach_s = min(2 * FASTEST_M_S * passed_s / SLOWEST_SOUND_M_S, FARTHEST_S)
        others = [
            sound
            for sound in self._sounds(known_block)
            if abs(sound.delay_s - known_mark.delay_s) > shape.width_s
        ]
        # What explains a block with nothing moved is asked first: by what may have moved, the
        # longer ago the more, a slip explains the same sounds as well.
        for reach_bins in (0, max(1, math.ceil(reach_s / shape.bin_s))):
            moved = unmoved
            if reach_bins > 0:
                moved = self._unlike(block, mark, known_block, known_mark, reach_bins=reach_bins)
            # As strong as it was, with all about it where it was, it is the mark unless a slip
            # explains its sounds clearly better; else only if a slip does so clearly worse.
            still = same and moved < MOST_UNLIKE and reach_bins == 0
            most = min(MOST_UNLIKE, moved - CLEARLY if still else moved + CLEARLY)
            # What came before the mark was cut off by the slip, or was not.
            if any(
                self._unlike(
                    block, mark, known_block, sound, reach_bins=reach_bins, from_mark_on=True
                )
                < most
                for sound in others
            ):
                return True
            if moved < MOST_UNLIKE:
                return False
        # Other sounds about a mark that is as strong as ever are new ones.
        return not same

    def later_s(self, block: CaptureBlock, other: CaptureBlock, *, near_s: float) -> float:
        """Return by how much later in its block a pulse stands than another pulse in its own.

        Parameters
        ----------
        block, other : CaptureBlock
        near_s : float
            By their marks.
        """
        bands = []
        for each in (other, block):
            shape = self.compressors[each.pulse_index].shape
            first = round(shape.carrier_hz / float(shape.offset_hz[1]))
            bands.append((first, self._band(each)))
        begin = max(first for first, _ in bands)
        end = min(first + band.size for first, band in bands)
        one, two = (band[begin - first : end - first] for first, band in bands)
        step_hz = float(self.compressors[0].shape.offset_hz[1])
        return same_ways_apart_s(one, two, step_hz * np.arange(begin, end), near_s=near_s)

    def _unlike(
        self,
        block: CaptureBlock,
        mark: Peak,
        other_block: CaptureBlock,
        other_mark: Peak,
        *,
        reach_bins: int = 0,
        from_mark_on: bool = False,
    ) -> float:
        """Return by how much the sounds around two marks differ, each in terms of its mark."""
        before_s = min(mark.delay_s, other_mark.delay_s)
        if from_mark_on:
            before_s = min(before_s, self.compressors[block.pulse_index].shape.width_s)
        around, other = (
            self._envelope(each, its.delay_s - before_s) / np.float32(its.amplitude)
            for each, its in ((block, mark), (other_block, other_mark))
        )
        return unlike_share(around, other, above=MATTERS, reach_bins=reach_bins)

    def _envelope(self, block: CaptureBlock, start_s: float) -> NDArray[np.complex64]:
        """Compress the channel that the mark is heard on, its first bin at `start_s`."""
        if start_s == 0.0 and block in self._whole:
            return self._whole[block]
        return self.compressors[block.pulse_index].from_time_zero(self._band(block), start_s)

    def _band_of(self, block: CaptureBlock) -> NDArray[np.complex64]:
        spectrum = self._spectra.of(block, self.channel)
        return self.compressors[block.pulse_index].matched(spectrum)

    def _sounds_of(self, block: CaptureBlock) -> tuple[Peak, ...]:
        """Return a block's strongest sounds, the strongest first."""
        shape = self.compressors[block.pulse_index].shape
        sounds = sounds_ahead(
            self._envelope(block, 0.0), shape, false_alarm_rate=FALSE_ALARM_RATE
        ).peaks
        return tuple(sorted(sounds, key=lambda s: -s.amplitude)[:MOST_SOUNDS])


def bins_looked_at(shape: EchoShape, last: int) -> int:
    """Return how far to look where what matters ends at a bin: with noise to tell it from."""
    return max(last, fewest_bins(shape, cells=_CELLS))


def alike(mark: Peak, other: Peak) -> bool:
    """Say whether two marks are as strong as each other, to `LIKE_DB` and four times noise."""
    doubt_db = math.hypot(_amplitude_doubt_db(mark), _amplitude_doubt_db(other))
    return abs(20 * math.log10(mark.amplitude / other.amplitude)) < LIKE_DB + doubt_db


def _amplitude_doubt_db(mark: Peak) -> float:
    # A peak's amplitude has a relative standard uncertainty of 1/√(2E/N0).
    return 4 * 20 / math.log(10) / math.sqrt(mark.snr)
