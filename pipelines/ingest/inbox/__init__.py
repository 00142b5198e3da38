"""Files of an inbox: finding them, opening archives, and waiting for files still being written."""
