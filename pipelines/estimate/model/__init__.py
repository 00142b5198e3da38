"""The regression and its noise: likelihood, fit, placebos, unlogged change points."""
