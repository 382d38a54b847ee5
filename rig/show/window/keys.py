"""What the keys do, in words."""

from __future__ import annotations

KEYS = (
    "space pause · m or click: mark · ↑ ↓ threshold · "
    "+ − stack · b background · t truth · w what if · d down · s save · h help · q quit"
)

HELP = """\
space    hold the picture; pings go on and are recorded
m        mark the next echo; a click marks any range
← →      move the mark
delete   take the mark away
↑ ↓      raise, lower the threshold: fewer, more echoes
+ −      add up more, fewer pings: noise sinks, movement smears
b        take away what stood still until now, or put it back
t        cover what really stands in a made-up scene, or uncover it
d        draw the ranges down the page, or along it
w        what if: with one thing changed, beside what was heard;
         w again: the next thing; any other key: back to now
s        save this picture
f        fill the screen, or not
h        show or hide this help
q        quit"""

WHAT_IF_KEYS = "w: the next thing · s save · any other key: back to now"
