"""Pages of the site, and the site as a whole."""
