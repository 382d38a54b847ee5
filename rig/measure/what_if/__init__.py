"""What would be seen with one thing changed: a second history, forecast from the first.

Targets that passed are taken from the recording: closest range, crossing speed, where along
their way the beam looked, and how strong they were. They are sent through the changed bench
again, and the changed pulse's echoes drawn in noise of the same density. It is a forecast
and no measurement. It cannot know of

- what the present beam never met, or was too weak to be followed from ping to ping;
- how strong a target is, and how loud the source, at another frequency: both are kept;
- where in the beam a thing stood that stayed: its level is kept, as if it stood on the axis;
- tracks of which it cannot be told how they passed: they are kept as heard;
- what fills a history, such as reverberation: even noise is drawn in its place;
- how far beside the axis a way led at its closest: it is taken to lead through it.

==========  ==================================================================
`change`    the one thing that is changed, and the plan with it
`bench`     a bench as echoes go through it: beam, pulse and medium
`noise`     how loud it was, drawn anew, and what is heard above it
`ways`      a target's straight way, and a track that is kept as heard
`tracks`    heard tracks turned into the one or the other
`hits`      how often each target is heard, before and after
`profiles`  each ping's profile drawn anew, and stacked as the plan asks
`history`   all of it together: the forecast history
`words`     the forecast for a person
==========  ==================================================================
"""
