"""Arches brought into focus: a map of places beside the way, by range.

`measurement.py` makes the map and its points, `speed.py` finds the speed where none is given,
`kept.py` keeps the profiles of a long recording, `words.py` and `answer.py` say what was found.
"""
