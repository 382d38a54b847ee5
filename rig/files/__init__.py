"""What lies on a disk: recordings and sound files."""
