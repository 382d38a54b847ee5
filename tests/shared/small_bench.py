"""A plan and its scenes as files hold them, of pings so short that a command takes a moment."""

PLAN = """
[pulse]
kind = "chirp"
start_hz = 4000.0
stop_hz = 12000.0
duration_s = 0.005
[timing]
ping_interval_s = 0.03
[receiver]
range_stop_m = 1.2
"""
EMPTY = """
[medium]
sound_speed_m_s = 343.963
[noise]
level_db = -70.0
"""
BALL = f"""{EMPTY}
[[target]]
body = "sphere"
radius_m = 0.05
position_m = [0.8, 0.0, 0.0]
"""
