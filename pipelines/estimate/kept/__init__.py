"""What is kept of a season's fits from one night to the next, so that a night costs what is new."""
