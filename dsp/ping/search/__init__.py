"""The search of profiles for echoes, all of them together."""
