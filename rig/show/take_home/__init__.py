"""A recording as one page to take home: it opens anywhere, offline, and asks for nothing.

``album``
    The picture as it stood at some pings, spread evenly over all.
``sound``
    The nearest echo slowed down, as a browser plays it.
``document``
    Both, and the report's numbers, in one HTML page of a bounded size.
"""
