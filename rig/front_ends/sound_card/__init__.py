"""A sound card, driven in a process of its own."""
