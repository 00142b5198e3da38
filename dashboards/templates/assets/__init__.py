"""Style and scripts that every page of a site shares."""
