"""What to set up, in order, and the known targets that must stand there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

CAUTION = (
    "Start quiet: begin with a low --level and raise it in small steps. Keep ears away from "
    "the loudspeaker, and mains equipment away from a tank."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownTarget:
    """Something that stands on the axis at a known distance.

    Attributes
    ----------
    range_m, u_range_m : float
        From midway between source and receiver to its front.
    radius_m : float or None
        Of a hard sphere, for its strength.
    size_m : tuple of float or None
        Width and height of a hard flat plate, for its strength.
    """

    range_m: float
    u_range_m: float = 0.001
    radius_m: float | None = None
    size_m: tuple[float, float] | None = None

    @property
    def words(self) -> str:
        """What it is, for a person."""
        if self.radius_m is not None:
            return f"a hard sphere of {1e3 * self.radius_m:g} mm radius"
        if self.size_m is not None:
            return f"a hard plate of {self.size_m[0]:g} × {self.size_m[1]:g} m"
        return "a hard flat plate"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to set up before pings are sent.

    Attributes
    ----------
    name : str
    words : str
        What a person has to do.
    targets : tuple of KnownTarget
        What must stand there.
    starts : int
        How often the device is opened, to learn how its latency differs.
    """

    name: str
    words: str
    targets: tuple[KnownTarget, ...] = ()
    starts: int = 1


def steps(known: Sequence[KnownTarget], *, one_by_one: bool, starts: int = 1) -> tuple[Step, ...]:
    """Return what is to be done, in order.

    Parameters
    ----------
    known : sequence of KnownTarget
    one_by_one : bool
        Whether the targets are put up in turn; else they all stand there from the start.
    starts : int
        For the first step.
    """
    listen = "Loudspeaker and microphone as for a run, nothing moving."
    if not one_by_one:
        return (Step(name="listen", words=listen, targets=tuple(known), starts=starts),)
    alone = Step(name="listen", words=f"{listen} Nothing on the axis.", starts=starts)
    put = (
        Step(
            name=f"target at {t.range_m:g} m",
            words=f"Put {t.words} on the axis, square to it, {t.range_m:g} m from midway "
            "between source and receiver; take other targets away.",
            targets=(t,),
        )
        for t in known
    )
    return (alone, *put)
