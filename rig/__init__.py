"""The bench itself: plans, front ends, recording, the picture and the command.

Data flows one way: plan, front end, capture block, echo profile, echoes, ping
result, picture. ``DEVELOPERS.md`` has the map.
"""
