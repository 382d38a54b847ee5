"""One ping: pulses, compression, profiles, echoes found, ranges, bounds, equalising."""
