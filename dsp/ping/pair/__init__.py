"""What two receivers heard of one echo, and where it then stands."""
