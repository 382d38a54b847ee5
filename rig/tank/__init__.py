"""The virtual tank: the physics of a basin or a room, with nothing of the receiver in it.

It shares no delay, filter or range code with the receiver, and its scene states its
own sound speed, so that a wrong formula on one side cannot cancel on the other.

- :mod:`rig.tank.scene`: the scene file, checked
- :mod:`rig.tank.scene_text`: a scene as the text of its file
- :mod:`rig.tank.changes`: what hands do to a scene while pings are sent
- :mod:`rig.tank.knobs`: what of a scene can be turned, one setting at a time
- :mod:`rig.tank.built_in`: the scenes that ship, each with its plan
- :mod:`rig.tank.absorption`: what the medium takes from a sound on its way
- :mod:`rig.tank.bodies`: how strongly a body sends sound back
- :mod:`rig.tank.faces`: beams and resonances of the transducers
- :mod:`rig.tank.walls`: image sources of a box or of a bottom and a surface
- :mod:`rig.tank.motion`: delay and Doppler of a moving body
- :mod:`rig.tank.other_pings`: another bench's pings in the same room
- :mod:`rig.tank.sampling`: pulses put at exact instants into samples
- :mod:`rig.tank.echoes`: all of it together: one ping's sound
"""
