"""The Python way in: benches, recordings and lessons, and how a notebook shows them."""
