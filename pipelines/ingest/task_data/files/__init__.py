"""Files of task data: container, XML, dictionary, geometry."""
