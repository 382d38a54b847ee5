"""The one drawing and its panels, and the pictures of beams, lessons, reports and what-ifs."""
