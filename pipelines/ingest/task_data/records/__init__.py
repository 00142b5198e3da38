"""Binary time logs of task data: header, record chain, scales, clocks."""
