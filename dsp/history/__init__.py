"""Many pings: echoes followed, what passed or stayed, beams, strengths and speeds from them."""
