"""Lists that other systems and people keep: alarms, and what was done to the drives."""
