"""What front ends are called; loads nothing, so that a command line can say it."""

FRONT_ENDS = ("virtual-tank", "sound-card", "serial-board", "emulated-board")

INVENTED_FRONT_ENDS = ("virtual-tank", "emulated-board")
"""Those that sound a made-up scene, for whoever has to know before a stream is open. The
stream itself says it by :attr:`rig.bench.capture.StreamInfo.invented`."""

BOARDS = ("serial-board", "emulated-board")
"""Those that sample no longer than it takes to the plan's last echo: what their blocks hold after
it is silence, and no noise that could be learnt."""
