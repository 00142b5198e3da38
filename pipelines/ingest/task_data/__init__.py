"""Task data of ISO 11783-10: read generically, by the standard's own self-description, and written.

A set is TASKDATA.XML with what it links to: devices, fields, tasks, and for each task time logs, each an XML
header and a binary. Reading goes::

    container     files of a folder or zip, hostile ones refused
    safe_xml      XML into nodes, bounded, faults of exporters mended
    task_file     nodes into devices, tasks, fields, crops
    log_header    layout of one log          log_binary, resync      its records, decoded and checked
    columns       what each column is        dictionary, scaling     raw integers to physical values
    log_reading   one log's moments, places, plain numbers           clock, log_positions
    harvest_log   those as channels          chosen_columns, held_values, work_state, worked_out, other_values
    task_logs     the logs of a set          naming, side_by_side, totals, asides
    set_clock     their clocks as UTC, decided over all logs of a set
    reader        a whole delivery as one ``Parsed``                 gathered, geometry, readings

``writer`` (with ``written_columns``, ``task_file_xml``, ``encoding``) goes the other way, for made-up seasons
and for tests.
"""

from chaffinch.pipelines.ingest.task_data.reader import (
    describe_columns,
    read_folder,
    read_members,
    read_task_data,
    read_zip,
)

__all__ = ["describe_columns", "read_folder", "read_members", "read_task_data", "read_zip"]
