"""The start sheet: of one machine in one crop, the values to start from and what to change when."""
