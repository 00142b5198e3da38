"""Trials: designed comparisons of settings, from the plan on paper to the answer."""
