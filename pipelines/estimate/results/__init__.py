"""From fitted coefficients to rows of ``effects``: calibration, capacity, pooling, verdicts."""
