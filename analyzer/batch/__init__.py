"""Many drives: found in folders, assessed each in a process of its own, kept as one dataset that any engine reads."""
