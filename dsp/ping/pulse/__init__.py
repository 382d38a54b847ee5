"""The pulse, what it is compressed to, and how surely that is read off."""
