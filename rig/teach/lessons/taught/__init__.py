"""The lessons that ship, a file each; what it holds is its constant `LESSON`."""
