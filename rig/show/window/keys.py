"""What the keys do, in words."""

from __future__ import annotations

KEYS = (
    "space pause · m or click: mark · ↑ ↓ threshold · "
    "+ − stack · b background · t truth · w what if · d turn · s save · h help · q quit"
)

KEYS_BY_HAND = (
    "mouse: take a body · k hands and knobs · space pause · m or click: mark · "
    "t truth · w what if · d turn · s save · h help · q quit"
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
k  K     open the tray of knobs, or go to the next knob; close it
, .      turn the knob down, up
u  r     undo the last turn; all as it was at the start
w        what if: with one thing changed, beside what was heard;
         w again: the next thing; any other key: back to now
s        save this picture
f        fill the screen, or not
h        show or hide this help
q        quit"""

HELP_BY_HAND = """\
mouse     take a body in the sketch and lead it. Let go at rest,
finger    it hangs still; let go in motion, it goes on
n  esc    choose the next body, or none
← → ↑ ↓   lead the chosen body as it is seen from above;
          with shift as it is seen from the side
1 2 3 4   put in a ball, a plate, a cylinder, a cloud
x         take the chosen body out
[ ]       make it smaller, larger
g         let it go at a steady speed, or hang it still
k  K      open the tray, or go to its next knob; close it
          (a click or a touch on the lowest line opens it too)
, .       turn the knob down, up
u         undo the last step
r         all as it was at the start
v         save the scene, as it stands, as a scene file
h         hide this help"""

WHAT_IF_KEYS = "w: the next thing · s save · any other key: back to now"
