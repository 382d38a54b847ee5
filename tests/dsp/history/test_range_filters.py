"""What filters foretell of targets, held to targets that were drawn."""

import numpy as np
import pytest

from dsp.history.range_filters import TURN_CELLS, Scan, Speeds

INTERVAL_S, RESOLUTION_M, NOISE_M = 0.1, 0.02, 0.001


def test_a_speed_says_what_share_of_its_ping_s_own_noise_it_takes() -> None:
    # Targets far apart that turn by chance from ping to ping as a filter has it.
    count, random = 600, np.random.default_rng(3)
    turn_m_s2 = TURN_CELLS * RESOLUTION_M / INTERVAL_S**2
    place_m, speed_m_s = 10.0 * np.arange(1, count + 1), random.normal(0, 0.1, count)
    speeds = Speeds(resolution_m=RESOLUTION_M, interval_s=INTERVAL_S)
    for ping in range(6):
        noise_m = NOISE_M * random.standard_normal(count)
        scan = Scan(
            time_s=ping * INTERVAL_S, range_m=place_m + noise_m, noise_m=np.full(count, NOISE_M)
        )
        told = speeds.add(scan)
        off_m_s = told.speed_m_s - speed_m_s
        pushed = turn_m_s2 * random.standard_normal(count)
        place_m = place_m + INTERVAL_S * speed_m_s + INTERVAL_S**2 / 2 * pushed
        speed_m_s = speed_m_s + INTERVAL_S * pushed
    # What is not this noise's is independent of it. A root mean square of 600 is off by 1/√1200
    # of itself, and a mean product by 1/√600 of both spreads: four times that.
    rest = np.sqrt(told.u_speed_m_s**2 - (told.taken_hz * NOISE_M) ** 2)
    by_noise = (off_m_s - told.taken_hz * noise_m) / rest
    assert np.sqrt(np.mean(by_noise**2)) == pytest.approx(1, abs=4 / np.sqrt(2 * count))
    assert np.mean(by_noise * noise_m / NOISE_M) == pytest.approx(0, abs=4 / np.sqrt(count))
    assert (told.taken_hz > 5).all()  # a rise over two pings takes 10 m/s of a metre, over three 5


@pytest.mark.parametrize("noise", [[0.0], [0.001, 0.001], [-0.001]])
def test_noise_that_is_none_is_refused(noise: list[float]) -> None:
    with pytest.raises(ValueError, match="noise_m"):
        Scan(time_s=0.0, range_m=np.array([1.0]), noise_m=np.array(noise))
