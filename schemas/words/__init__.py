"""Words of the trade in the languages of operators, and what they stand for."""
