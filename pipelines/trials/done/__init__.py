"""What was done of a planned trial: its steps matched with the adjustments that were logged."""
