"""What went by: echoes followed from ping to ping, each judged, and put into words."""
