"""Task data of ISO 11783-10, read by the standard's own self-description, whatever the device.

A set is TASKDATA.XML with what it links to: devices, fields, tasks, and for each task time logs, each an XML
header and a binary. Reading goes::

    files      task_set       names of a set, whatever their case       safe_xml     XML, bounded, faults mended
               task_file      devices, tasks, fields, crops             geometry     field boundaries
               dictionary     data identifiers and units
    records    log_header     layout of one log                         log_binary   its records; resync after damage
               columns        what each column is                       scaling      raw integers to physical values
               log_reading    moments, places and plain numbers         clock_offset, utc   the clock as UTC
    meaning    channel_table  those as channels                         task_logs    the logs of a set
    reader     a whole set as one ``Parsed``
"""

from chaffinch.pipelines.ingest.task_data.reader import describe_columns, read_task_data

__all__ = ["describe_columns", "read_task_data"]
