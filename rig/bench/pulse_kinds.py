"""The kinds of pulse that a plan may ask for: a class each, and all that is asked of one.

A kind's fields are the keys of its ``[pulse]`` table. It is registered by its name in
:data:`PulsePlan`; nothing outside this module asks which kind a pulse is.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import ClassVar, Protocol, Self

from dsp.physics.doppler import chirp_coupling_s
from dsp.ping.pulse.pulses import (
    RING_OUT,
    Pulse,
    barker13,
    golay_pair,
    linear_chirp,
    ringing_burst,
    tone_burst,
)
from rig.bench.tables import choice, number, whole

# The widest sensible limits, from what a sound card or a board can do: they catch
# a value in the wrong unit (kHz for Hz, ms for s) before it makes nonsense.
_FREQUENCY = {"low": 20.0, "high": 1e6}
_DURATION = {"low": 1e-5, "high": 0.5}


class PulseKind(Protocol):
    """What every kind of pulse knows of itself."""

    @property
    def kind(self) -> str:
        """Its name in a plan."""

    @property
    def duration_s(self) -> float:
        """Length of one pulse."""

    @property
    def centre_hz(self) -> float:
        """Middle of the band."""

    @property
    def lowest_hz(self) -> float:
        """The lowest frequency that is sent on purpose; not below 0."""

    @property
    def highest_hz(self) -> float:
        """The highest frequency that is sent on purpose."""

    @property
    def pulses_per_cycle(self) -> int:
        """How many pulses take turns."""

    @property
    def tapered(self) -> bool:
        """Whether a window rounds its ends."""

    @property
    def coupling_s(self) -> float:
        """By how much time it shows a moving target ahead; negative for behind."""

    @property
    def words(self) -> str:
        """What it is, for people: kind and frequencies."""

    @property
    def sources(self) -> tuple[tuple[str, str], ...]:
        """What it is used for, and the publication it comes from; none for what needs none."""

    @property
    def burst(self) -> Burst | None:
        """Itself, where it is the pulse of a board; nothing else may be folded."""

    def pulses(self, sample_rate_hz: float, folded: bool, /) -> tuple[Pulse, ...]:
        """Make its pulses, in the order in which they take turns.

        Parameters
        ----------
        sample_rate_hz : float
        folded : bool
            Whether the band is sampled where it folds to. Only asked of a burst.

        Raises
        ------
        ValueError
            Where its keys do not make a pulse at that rate.
        """

    def retuned(self, centre_hz: float) -> Self:
        """Move its band, width and length kept.

        Raises
        ------
        ValueError
            Where the band would leave what can be sent.
        """

    def stretched(self, duration_s: float) -> Self:
        """Change its length: the chips of a code with it, and the cycles of a burst."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chirp:
    """A linear chirp, ``kind = "chirp"``."""

    start_hz: float = number(**_FREQUENCY)
    stop_hz: float = number(**_FREQUENCY)
    duration_s: float = number(**_DURATION)
    taper: str = choice("none", "tukey", "hann", default="tukey")
    taper_fraction: float = number(0.1, low=0.0, high=1.0)
    kind: str = choice("chirp", default="chirp")

    pulses_per_cycle: ClassVar[int] = 1
    burst: ClassVar[None] = None
    sources: ClassVar[tuple[tuple[str, str], ...]] = (
        (
            "chirp",
            "J. R. Klauder et al., “The theory and design of chirp radars”, Bell Syst. Tech. J. "
            "39, 1960, pp. 745–808",
        ),
    )

    def __post_init__(self) -> None:
        if self.start_hz == self.stop_hz:
            raise ValueError(
                f"stop_hz: found {self.stop_hz:g}, the same as start_hz; "
                'give another frequency, or kind = "tone"'
            )

    @property
    def lowest_hz(self) -> float:
        """The lowest frequency that is sent on purpose."""
        return min(self.start_hz, self.stop_hz)

    @property
    def highest_hz(self) -> float:
        """The highest frequency that is sent on purpose."""
        return max(self.start_hz, self.stop_hz)

    @property
    def centre_hz(self) -> float:
        """Middle of the swept band."""
        return (self.start_hz + self.stop_hz) / 2

    @property
    def tapered(self) -> bool:
        """Whether a window rounds its ends."""
        return self.taper != "none"

    @property
    def coupling_s(self) -> float:
        """By how much time it shows a moving target ahead."""
        return chirp_coupling_s(self.start_hz, self.stop_hz, self.duration_s)

    @property
    def words(self) -> str:
        """What it is, for people."""
        return f"chirp from {self.start_hz / 1e3:g} to {self.stop_hz / 1e3:g} kHz"

    def pulses(self, sample_rate_hz: float, _folded: bool, /) -> tuple[Pulse, ...]:
        """Make the one pulse."""
        chirp = linear_chirp(
            self.start_hz,
            self.stop_hz,
            self.duration_s,
            sample_rate_hz,
            taper=self.taper,
            taper_fraction=self.taper_fraction,
        )
        return (chirp,)

    def retuned(self, centre_hz: float) -> Self:
        """Move the sweep, its width and length kept."""
        by_hz = centre_hz - self.centre_hz
        if self.lowest_hz + by_hz < _FREQUENCY["low"]:
            raise ValueError(
                f"a sweep {abs(self.stop_hz - self.start_hz):g} Hz wide about {centre_hz:g} Hz "
                f"reaches below {_FREQUENCY['low']:g} Hz; give a higher frequency"
            )
        return dataclasses.replace(
            self, start_hz=self.start_hz + by_hz, stop_hz=self.stop_hz + by_hz
        )

    def stretched(self, duration_s: float) -> Self:
        """Change its length; it sweeps as far."""
        return dataclasses.replace(self, duration_s=duration_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """A tone burst, ``kind = "tone"``."""

    centre_hz: float = number(**_FREQUENCY)
    duration_s: float = number(**_DURATION)
    taper: str = choice("none", "tukey", "hann", default="tukey")
    taper_fraction: float = number(0.1, low=0.0, high=1.0)
    kind: str = choice("tone", default="tone")

    pulses_per_cycle: ClassVar[int] = 1
    burst: ClassVar[None] = None
    coupling_s: ClassVar[float] = 0.0
    sources: ClassVar[tuple[tuple[str, str], ...]] = ()

    @property
    def lowest_hz(self) -> float:
        """The lowest frequency that is sent on purpose."""
        return max(self.centre_hz - 1 / self.duration_s, 0.0)

    @property
    def highest_hz(self) -> float:
        """The highest frequency that is sent on purpose."""
        return self.centre_hz + 1 / self.duration_s

    @property
    def tapered(self) -> bool:
        """Whether a window rounds its ends."""
        return self.taper != "none"

    @property
    def words(self) -> str:
        """What it is, for people."""
        return f"tone at {self.centre_hz / 1e3:g} kHz"

    def pulses(self, sample_rate_hz: float, _folded: bool, /) -> tuple[Pulse, ...]:
        """Make the one pulse."""
        tone = tone_burst(
            self.centre_hz,
            self.duration_s,
            sample_rate_hz,
            taper=self.taper,
            taper_fraction=self.taper_fraction,
        )
        return (tone,)

    def retuned(self, centre_hz: float) -> Self:
        """Change its frequency, the length kept."""
        return dataclasses.replace(self, centre_hz=centre_hz)

    def stretched(self, duration_s: float) -> Self:
        """Change its length."""
        return dataclasses.replace(self, duration_s=duration_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Barker13:
    """A phase-coded pulse of 13 chips, ``kind = "barker13"``."""

    centre_hz: float = number(**_FREQUENCY)
    chip_s: float = number(**_DURATION)
    kind: str = choice("barker13", default="barker13")

    pulses_per_cycle: ClassVar[int] = 1
    burst: ClassVar[None] = None
    tapered: ClassVar[bool] = False
    coupling_s: ClassVar[float] = 0.0
    sources: ClassVar[tuple[tuple[str, str], ...]] = (
        (
            "Barker code",
            "R. H. Barker, “Group synchronizing of binary digital systems”, in Communication "
            "Theory, ed. W. Jackson, 1953, pp. 273–287",
        ),
    )

    @property
    def duration_s(self) -> float:
        """Length of the whole pulse."""
        return 13 * self.chip_s

    @property
    def lowest_hz(self) -> float:
        """The lowest frequency that is sent on purpose."""
        return max(self.centre_hz - 1 / self.chip_s, 0.0)

    @property
    def highest_hz(self) -> float:
        """The highest frequency that is sent on purpose."""
        return self.centre_hz + 1 / self.chip_s

    @property
    def words(self) -> str:
        """What it is, for people."""
        return f"Barker code of 13 at {self.centre_hz / 1e3:g} kHz"

    def pulses(self, sample_rate_hz: float, _folded: bool, /) -> tuple[Pulse, ...]:
        """Make the one pulse."""
        return (barker13(self.centre_hz, self.chip_s, sample_rate_hz),)

    def retuned(self, centre_hz: float) -> Self:
        """Change its carrier, the chips kept."""
        return dataclasses.replace(self, centre_hz=centre_hz)

    def stretched(self, duration_s: float) -> Self:
        """Change the chips' length."""
        return dataclasses.replace(self, chip_s=self.chip_s * duration_s / self.duration_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Golay:
    """A complementary pair of phase-coded pulses, ``kind = "golay"``; pings alternate."""

    centre_hz: float = number(**_FREQUENCY)
    chip_s: float = number(**_DURATION)
    chips: int = whole(low=2, high=4096)
    kind: str = choice("golay", default="golay")

    pulses_per_cycle: ClassVar[int] = 2
    burst: ClassVar[None] = None
    tapered: ClassVar[bool] = False
    coupling_s: ClassVar[float] = 0.0
    sources: ClassVar[tuple[tuple[str, str], ...]] = (
        (
            "Golay pair",
            "M. J. E. Golay, “Complementary series”, IRE Trans. Inf. Theory 7, 1961, pp. 82–87",
        ),
    )

    def __post_init__(self) -> None:
        if self.chips & (self.chips - 1):
            raise ValueError(f"chips: found {self.chips}; give a power of two from 2 to 4096")

    @property
    def duration_s(self) -> float:
        """Length of either pulse of the pair."""
        return self.chips * self.chip_s

    @property
    def lowest_hz(self) -> float:
        """The lowest frequency that is sent on purpose."""
        return max(self.centre_hz - 1 / self.chip_s, 0.0)

    @property
    def highest_hz(self) -> float:
        """The highest frequency that is sent on purpose."""
        return self.centre_hz + 1 / self.chip_s

    @property
    def words(self) -> str:
        """What it is, for people."""
        return f"Golay pair of {self.chips} at {self.centre_hz / 1e3:g} kHz"

    def pulses(self, sample_rate_hz: float, _folded: bool, /) -> tuple[Pulse, ...]:
        """Make both pulses."""
        return golay_pair(self.centre_hz, self.chip_s, self.chips, sample_rate_hz)

    def retuned(self, centre_hz: float) -> Self:
        """Change its carrier, the chips kept."""
        return dataclasses.replace(self, centre_hz=centre_hz)

    def stretched(self, duration_s: float) -> Self:
        """Change the chips' length."""
        return dataclasses.replace(self, chip_s=self.chip_s * duration_s / self.duration_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """Whole cycles through a pair of ringing transducers, ``kind = "burst"``: a board's pulse.

    Each of the pair rings down to 1/e in `ring_s`.
    """

    centre_hz: float = number(**_FREQUENCY)
    cycles: int = whole(low=1, high=64)
    ring_s: float = number(low=1e-6, high=0.01)
    kind: str = choice("burst", default="burst")

    pulses_per_cycle: ClassVar[int] = 1
    tapered: ClassVar[bool] = False
    coupling_s: ClassVar[float] = 0.0
    sources: ClassVar[tuple[tuple[str, str], ...]] = ()

    @property
    def burst(self) -> Burst:
        """Itself: a board can send it."""
        return self

    @property
    def drive_s(self) -> float:
        """Length of the drive."""
        return self.cycles / self.centre_hz

    @property
    def duration_s(self) -> float:
        """Length of the whole pulse, its ringing with it."""
        return self.drive_s + RING_OUT * self.ring_s

    @property
    def lowest_hz(self) -> float:
        """The lowest frequency that is sent on purpose."""
        return max(self.centre_hz - 1 / self.drive_s, 0.0)

    @property
    def highest_hz(self) -> float:
        """The highest frequency that is sent on purpose."""
        return self.centre_hz + 1 / self.drive_s

    @property
    def words(self) -> str:
        """What it is, for people."""
        return f"burst of {self.cycles} cycles at {self.centre_hz / 1e3:g} kHz"

    def pulses(self, sample_rate_hz: float, folded: bool, /) -> tuple[Pulse, ...]:
        """Make the one pulse, its band named where it folds to."""
        return (
            ringing_burst(self.centre_hz, self.cycles, self.ring_s, sample_rate_hz, folded=folded),
        )

    def retuned(self, centre_hz: float) -> Self:
        """Change its frequency; the drive lasts as long, in whole cycles."""
        cycles = max(1, round(self.cycles * centre_hz / self.centre_hz))
        return dataclasses.replace(self, centre_hz=centre_hz, cycles=cycles)

    def stretched(self, duration_s: float) -> Self:
        """Change the drive's length by whole cycles; the ringing stays."""
        drive_s = duration_s - (self.duration_s - self.drive_s)
        return dataclasses.replace(self, cycles=max(1, round(drive_s * self.centre_hz)))


PulsePlan = Chirp | Tone | Barker13 | Golay | Burst
"""A plan's ``[pulse]``: `kind` chooses the class (:func:`rig.bench.tables.build`)."""
