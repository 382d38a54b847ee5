"""Which sound came first: the mark that time zero is known by."""
