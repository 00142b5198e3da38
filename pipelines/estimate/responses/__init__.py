"""How outcomes respond along the values tried of a setting, and where machines work on their loss curves."""
