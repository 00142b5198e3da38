"""How a trial is planned: its precision, its order of values, its length."""
