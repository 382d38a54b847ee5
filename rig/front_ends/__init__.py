"""Where blocks of samples come from: a virtual tank, a sound card, a board, a recording."""
