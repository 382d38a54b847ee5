"""What the noise of a profile is like, and what stands out of it."""
