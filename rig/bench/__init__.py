"""What is decided before a ping: the plan, its pulses, what a block is, a stored calibration."""
