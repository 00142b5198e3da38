"""What loss signals are of losses: their power, gains that move with a setting."""
