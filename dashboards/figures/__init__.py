"""Figures: a table in, a Plotly figure out, with the palette they share."""
