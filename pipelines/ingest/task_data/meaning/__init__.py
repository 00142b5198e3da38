"""What the values of a time log mean: channels, work state, machines, tables."""
