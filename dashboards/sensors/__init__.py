"""The page of a machine's sensors."""
