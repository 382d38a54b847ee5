"""Pings that carry a sign each, and what sums of them tell."""
