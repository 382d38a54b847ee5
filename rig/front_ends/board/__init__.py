"""A serial board, real or emulated, and boards that print plain numbers."""
