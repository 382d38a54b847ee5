"""The drawing in a window, kept up with the pings."""
