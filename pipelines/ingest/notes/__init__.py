"""What the lines of a notebook of settings say, in the languages of ``schemas/words``."""
