"""Clocks of settings logs: how far off they are, from set values or from responses."""
