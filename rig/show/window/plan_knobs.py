"""Knobs that change the plan: each turn ends the stretch of pings and begins another."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

from rig.bench import turned
from rig.bench.plan import Plan
from rig.show.window.knobs import Knob
from rig.show.wording import length_text, time_text
from rig.tank.knobs import faces_larger
from rig.tank.scene import Scene

Begin = Callable[[Plan, Callable[[Scene], Scene]], str]
"""Begins a stretch with a plan, the scene changed; says why not, or nothing."""


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class PlanDesk:
    """Where the plan in force is read, and another is begun.

    Attributes
    ----------
    plan : callable
        The one in force.
    begin : callable
    tell : callable
        Says at the foot what there is to say.
    true_c : callable
        The scene's temperature, in °C.
    """

    plan: Callable[[], Plan]
    begin: Begin
    tell: Callable[[str], None]
    true_c: Callable[[], float]


def plan_knobs(desk: PlanDesk) -> list[Knob]:
    """Return the knobs of a plan."""

    def knob(
        name: str,
        words: Callable[[Plan], str],
        change: Callable[[Plan, int], Plan],
        scene: Callable[[int], Callable[[Scene], Scene]] = lambda _: _as_it_is,
    ) -> Knob:
        def turn(steps: int) -> Callable[[], None] | None:
            before = desk.plan()
            try:
                wanted = change(before, steps)
            except ValueError as problem:
                desk.tell(f"{name}: {problem}")
                return None
            problem_words = desk.begin(wanted, scene(steps))
            if problem_words:
                desk.tell(f"{name}: {problem_words}")
                return None
            return lambda: desk.tell(desk.begin(before, scene(-steps)))

        return Knob(name=name, words=lambda: words(desk.plan()), turn=turn)

    return [
        knob("frequency", lambda p: f"{p.pulse.centre_hz / 1e3:.3g} kHz", turned.retuned),
        knob("pulse length", lambda p: time_text(p.pulse.duration_s), turned.lengthened),
        knob("pulse", lambda p: p.pulse.words, turned.other_kind),
        knob(
            "disc",
            lambda p: f"{length_text(2 * p.transducer.radius_m)} across",
            turned.other_disc,
            lambda steps: lambda scene: faces_larger(scene, turned.STEP**steps),
        ),
        knob(
            "ping interval",
            lambda p: f"{time_text(p.timing.ping_interval_s)} from ping to ping",
            turned.other_interval,
        ),
        knob(
            "believed temperature",
            lambda p: f"{p.medium.temperature_c:.0f} °C; in truth {desk.true_c():.0f} °C",
            turned.other_belief,
        ),
    ]


def _as_it_is(scene: Scene) -> Scene:
    return scene
