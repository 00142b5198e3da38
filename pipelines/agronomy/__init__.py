"""Formulas of the trade: counted loss, yield, tip speed, money, and checks of a machine's set-up.

Plain functions of floats or NumPy arrays (elementwise, broadcast), units in the names. An impossible divisor
(no width, no speed) gives NaN and never a number that looks real.
"""
