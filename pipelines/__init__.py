"""The stages, in the order of the data; DEVELOPERS.md has the map."""
