"""What an input that is driven too far adds is no echo, whatever the pulse, and hides none.

Files are made without any code of the program.
"""

import numpy as np
import pytest
from doubted_bench import BASELINE_M, Bench
from misleading_scenes import CHIRP, FIRST_S, GOLAY, RESOLUTION_M, Scene
from scene_judge import heard
from synthesizer import SPEED_M_S, Sound, Voice, chirp, coded, golay, recorded

FALLING = CHIRP | {"start_hz": 12e3, "stop_hz": 4e3}
PULSES = {
    "falling": (FALLING, [chirp(12e3, 4e3, 0.01)]),
    "rising": (CHIRP, [chirp(4e3, 12e3, 0.01)]),
    "golay": (GOLAY, [coded(code, 8e3, 12) for code in golay(4)]),
}
RANGES_M, DIRECT, PINGS = (1.1, 2.4), 0.3, 4
BENCH = Bench(
    u_temperature_c=0.1,
    u_humidity_percent=1.0,
    u_gradient_c_m=0.01,
    u_baseline_m=1e-4,
    baseline_m=BASELINE_M,
    speed_m_s=SPEED_M_S,
    rise_m_s=0.0,
)


@pytest.mark.parametrize("name", PULSES)
@pytest.mark.parametrize("harmonic", [0.0, 0.02, 0.08])
def test_bodies_are_told_and_nothing_else(name: str, harmonic: float) -> None:
    # Two bodies 46 dB below the direct sound, at a 2E/N0 of 35 dB or more: E is 96 to 240 of the
    # square of 0.0015 by the pulse, and the noise's RMS 2.5e-4. The first is heard within the
    # pulse's length of the direct sound, where 8 % makes of a falling chirp what is as loud.
    kind, pulses = PULSES[name]
    voices = tuple(Voice(pulse) for pulse in pulses)
    ways = [(BASELINE_M, DIRECT)]
    ways += [(float(np.hypot(2 * r, BASELINE_M)), DIRECT / 200) for r in RANGES_M]
    sounds = [
        Sound(voices=voices, way=lambda t, m=m: np.full(t.size, m), amplitude=lambda _, a=a: a)
        for m, a in ways
    ]
    samples = recorded(
        sounds, pings=PINGS, interval_s=0.1, first_s=FIRST_S, speed_m_s=lambda *_: SPEED_M_S
    )
    samples += 2 * harmonic / DIRECT * samples**2
    samples += np.random.default_rng(1).normal(0, 2.5e-4, samples.size)
    run = heard(
        Scene(
            bench=BENCH,
            pulse=kind,
            samples=samples,
            truths=(),
            pings=PINGS,
            interval_s=0.1,
        )
    )
    assert len(run.results) >= PINGS
    for result in run.results[:PINGS]:
        assert [e.range_m for e in result.echoes] == [
            pytest.approx(r, abs=RESOLUTION_M) for r in RANGES_M
        ]
