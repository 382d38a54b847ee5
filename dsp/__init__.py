"""Echo ranging as pure functions: arrays in, arrays or frozen dataclasses out.

Nothing here touches a file, a clock, a device or a screen, and nothing here
imports :mod:`rig`. Units stand in the names; SI throughout.

=================== ===========================================================
:mod:`medium`       sound speed, absorption and impedance of air and water
:mod:`pulses`       tone burst, chirp, Barker-13, Golay pair
:mod:`compression`  the band-limited matched filter, one ping or many
:mod:`profiles`     echo strength over delay; stacking, still background
:mod:`detection`    thresholds at a set false-alarm rate, sub-sample peaks
:mod:`ranging`      time zero, bistatic geometry, delay to range and back
:mod:`bounds`       Cramér–Rao bounds, resolution, ambiguity
:mod:`beams`        piston and line: directivity, footprint, near field
:mod:`targets`      target strength of simple bodies
:mod:`levels`       spreading, transmission loss, forecast of an echo's SNR
=================== ===========================================================
"""
