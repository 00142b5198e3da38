"""One module for each kind of file: harvest log, settings log, loss checks, load tickets, boundaries."""
