"""Which peaks of a profile are echoes, and exactly where they stand.

The parts: :mod:`dsp.noise` learns the noise around each bin and sets the threshold,
:mod:`dsp.search` finds all echoes together, :mod:`dsp.peaks` places a peak between
bins, :mod:`dsp.arrivals` picks the first sound.
"""

from __future__ import annotations

from dsp.arrivals import (
    CLOSE_FORERUNNER_DB,
    FORERUN_S,
    FORERUNNER_DB,
    first_arrival,
    sounds_like,
    standing_peak,
)
from dsp.noise import (
    RANK_SHARE,
    TRAINING_CELLS,
    cell_averaging_factor,
    cell_averaging_threshold,
    cell_rate,
    fewest_bins,
    noise_doubt,
    ordered_statistic_factor,
    ordered_statistic_threshold,
)
from dsp.peaks import Peak, delay_uncertainty_s, interpolated, refined, side_lobe_ceiling
from dsp.search import find_echoes

__all__ = [
    "CLOSE_FORERUNNER_DB",
    "FORERUNNER_DB",
    "FORERUN_S",
    "RANK_SHARE",
    "TRAINING_CELLS",
    "Peak",
    "cell_averaging_factor",
    "cell_averaging_threshold",
    "cell_rate",
    "delay_uncertainty_s",
    "fewest_bins",
    "find_echoes",
    "first_arrival",
    "interpolated",
    "noise_doubt",
    "ordered_statistic_factor",
    "ordered_statistic_threshold",
    "refined",
    "side_lobe_ceiling",
    "sounds_like",
    "standing_peak",
]
