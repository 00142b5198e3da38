"""Delays from header to sensors, estimated from the log in three ways and pooled over days."""
