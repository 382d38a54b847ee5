"""A beam measured with a target that is moved across it: by steps, by a turntable, in a pass.

The pings come from a recording or from a live front end; all that is added here is
where the target was. :func:`rig.measure.beam.measurement.measure_beam` picks the target's
echo out of each ping and hands levels and ranges to :func:`dsp.history.beam_fits.fit_beam`.

===============  ================================================================
`moved`          how the target was moved: a steady pass, or stops read from a file
`setting`        what the plan says of the bench, as the fit needs it
`range_shift`    how much too far the plan's pulse shows what recedes
`heard`          the target's echo in each ping, and how surely it is placed
`measurement`    the fit, and the uncertainties of all that follows from it
`cautions`       what speaks against the numbers
`words`          the measurement for a person
`answer`         the measurement for a program
===============  ================================================================
"""
