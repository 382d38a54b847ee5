"""The report of a recording: one page that needs nothing but itself, and its numbers.

``contents``
    All that a report is made of.
``document``
    That put into one HTML page, its pictures inside.
``numbers``
    The same numbers as CSV tables.
``references``
    The sources of the formulas that were used, and only those.
``markup``
    HTML that escapes whatever is put into it.
``files``
    Where it is written.
"""
