"""The guided calibration of a bench: what to set up, in order, and what it then tells.

Steps are data: a person is told :attr:`rig.measure.calibrate.steps.Step.words` before each,
and a bench that stands ready, or a virtual tank, runs through them alone. Nothing here asks
or prints.

=============  ====================================================================
`steps`        what to set up, in order, and the known targets that must stand there
`runs`         the pings of one opening of the device, and what they hold
`echoes`       a known target's echo, found near where it was said to be
`times`        sound speed and time zero
`replica`      the pulse as it comes out of the transducers
`level`        the source level
`quiet`        crosstalk and ring-down, heard where it should be quiet
`findings`     those, and what the check-up finds
`calibration`  the steps gone through, and what they tell put together
`words`        the calibration for a person
=============  ====================================================================
"""
