"""What sound does: media, absorption, levels, beams, targets, boundaries, Doppler."""
