"""What is measured by hand beside a lesson's pings."""

from __future__ import annotations

from rig.teach.lessons.lesson import Given

_U_SPEED = 0.01  # of a speed told by tape and watch: 0.02 s in 2 s


def by_tape(name: str, text: str, value_m: float, u_m: float) -> Given:
    """Ask how far away something stands."""
    where = "from midway between source and receiver, by tape, in metres"
    return Given(name=name, text=f"{text}, {where}", value=value_m, u_value=u_m)


def ball_by_tape(value_m: float) -> Given:
    """Ask how far away the ball hangs."""
    return by_tape("ball_m", "the ball", value_m, 0.003)


def closest_by_tape(range_m: float) -> Given:
    """Ask how far away the thread is straight ahead."""
    return Given(
        name="closest_m",
        text="from midway between source and receiver straight ahead to the thread, by tape, in m",
        value=range_m,
        u_value=0.003,
    )


def speed_by_watch(name: str, which: str, speed_m_s: float) -> Given:
    """Ask how fast the ball is drawn."""
    return Given(
        name=name,
        text=f"how fast the ball is drawn{which}: metres of thread over seconds by the watch, "
        "in m/s",
        value=speed_m_s,
        u_value=_U_SPEED * speed_m_s,
    )
