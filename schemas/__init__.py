"""What is declared rather than coded: channels, settings, crops, reasons, row rules, table contracts.

The declarations are TOML files in this folder; ``declarations`` reads and checks them once and hands
them out as frozen objects. ``tables`` holds the contracts of the lake.
"""
