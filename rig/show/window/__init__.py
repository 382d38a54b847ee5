"""The drawing in a window, kept up with the pings.

The pings come in on a thread of their own and wait in a queue, so that neither
drawing nor reading the picture ever holds one up. Only what changes is drawn for
each ping; the rest is kept as an image of the empty page.

============  ================================================================
`live`        the way in: a window opened, fed with pings, and closed again
`backend`     whether a window can be opened here, and how large
`pump`        the pings drawn on a thread of their own
`kept_pings`  the pings that are shown: paused, stacked, thresholded
`window`      the picture on the figure, and what the keys do to it
`pace`        pings shown when they are due, or left out
`sheet`       what changes, drawn over the rest of the page
`stamps`      words drawn once and put down again
`keys`        what the keys do, in words
`what_ifs`    forecasts worked out on a thread beside the pings
============  ================================================================
"""
