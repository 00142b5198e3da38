"""The file of a planned trial, ``trial.toml``: read, checked and written."""
