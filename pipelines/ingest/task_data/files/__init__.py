"""Files of task data: one set, its XML, the data dictionary, geometry."""
