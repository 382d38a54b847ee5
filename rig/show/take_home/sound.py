"""One ping slowed down, so small that it lies in a page, in a form that every browser plays."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rig.bench.capture import CaptureBlock
from rig.errors import NotHeardError, PlanError
from rig.measure.listening import (
    CLAPPED_HZ,
    CLAPPED_TIMES,
    HEARD_RATE_HZ,
    Listening,
    clapping_pace,
    listen,
    listening_lines,
    ping_heard,
    repeated,
    wav_bytes,
)
from rig.run.receiver import Receiver

LONGEST_S = 30.0
"""So long it is heard at the most, all repeats together: half a megabyte."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowSound:
    """What a page plays.

    Attributes
    ----------
    wav : bytes
        Empty where nothing can be listened to.
    lines : tuple of str
        What is heard, in words; or why nothing is.
    """

    wav: bytes
    lines: tuple[str, ...]


def slow_sound(receiver: Receiver, blocks: Iterable[CaptureBlock]) -> SlowSound:
    """Slow the first good ping with an echo down to where hands can clap to it.

    Parameters
    ----------
    receiver : Receiver
    blocks : iterable of CaptureBlock
        Of a recording, from its start; no more are taken than are needed.
    """
    try:
        heard = ping_heard(receiver, blocks)
        # A far range beside a near echo would be minutes of near silence.
        slowest = LONGEST_S / (2 * receiver.last_echo_s)
        factor = max(1.0, min(clapping_pace(heard), slowest))
        once = listen(heard, factor, pitch_hz=CLAPPED_HZ, compressed=True)
    except (NotHeardError, PlanError) as problem:
        return SlowSound(wav=b"", lines=(str(problem),))
    times = max(1, min(CLAPPED_TIMES, int(LONGEST_S / once.duration_s)))
    found = repeated(once, times)
    return SlowSound(
        wav=wav_bytes(found, step=_step(found), subtype="PCM_16"),
        lines=listening_lines(found, compressed=True),
    )


def _step(listening: Listening) -> int:
    """Return every how manieth sample holds all of the sound's band, with room to spare.

    What is heard is a slowed band of the pulse's and holds nothing above it, so that no
    filter is needed. 8 and 16 kHz are rates that every browser plays.
    """
    return next((n for n in (6, 3) if 3 * listening.band_hz[1] < HEARD_RATE_HZ / n), 1)
