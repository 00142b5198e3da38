"""A simulated season written as the files of an inbox."""
