"""What pings are measured by: passes, strength, beam, calibration, forecasts, checks."""
