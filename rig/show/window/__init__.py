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
`hands`       a body of the virtual tank taken in the sketch, led, let go
`grip`        the pointer, or a finger, on the bodies in the sketch
`hand_path`   where a pointer was, and when; even ways of its leaps
`rings`       the ring about the body that was chosen
`touch`       what keys and buttons do to tank and display; undo
`tray`        the same to be clicked or touched, at the foot
`knobs`       what can be turned of tank, hand and display
`plan_knobs`  what can be turned of the plan
`stretch`     pings under one plan; a turned plan begins another
`display`     the display's gain and gain over range
============  ================================================================
"""
