"""Echo ranging as pure functions: arrays in, arrays or frozen dataclasses out.

Nothing here touches a file, a clock, a device or a screen, and nothing here
imports :mod:`rig`. Units stand in the names; SI throughout.

=================== ===========================================================
:mod:`medium`       sound speed of air, fresh and sea water, and its uncertainty
:mod:`absorption`   what the medium swallows on the way
:mod:`impedance`    density, impedance, what a boundary sends back
:mod:`pulses`       tone burst, chirp, Barker-13, Golay pair
:mod:`compression`  the band-limited matched filter, one ping or many
:mod:`profiles`     echo strength over delay; stacking, still background
:mod:`noise`        thresholds at a set false-alarm rate
:mod:`peaks`        the place of a peak between bins
:mod:`search`       all echoes of a profile, found together
:mod:`arrivals`     the first sound to arrive, and sounds known again
:mod:`ranging`      time zero, bistatic geometry, delay to range and back
:mod:`bounds`       Cramér–Rao bounds, resolution, blind zone, missed echoes
:mod:`doppler`      what a target's speed does to its echo
:mod:`pulse_pair`   closing speed from phases between pings, with its ambiguity
:mod:`echo_phase`   the phase of an echo, and ranges sharpened by it
:mod:`tracking`     echoes followed from ping to ping
:mod:`passes`       pass, half, stay or cannot tell, and the straight way fitted
:mod:`beams`        piston and line: directivity, footprint, near field
:mod:`targets`      target strength of simple bodies
:mod:`beam_fits`    a beam's angle, tilt and radius from levels across it
:mod:`strengths`    target strength from an echo, and what one receiver leaves open
:mod:`equalising`   compression by the pulse as it was heard
:mod:`calibrating`  sound speed and time zero from known distances
:mod:`uncertainty`  budgets: propagation, shares, Monte Carlo
:mod:`levels`       spreading, transmission loss, forecast of an echo's SNR
:mod:`arguments`    refusing a number that a formula was not made for
=================== ===========================================================
"""
