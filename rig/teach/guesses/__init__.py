"""What a class guesses, each for itself, before the bench answers; no screen, no file."""
