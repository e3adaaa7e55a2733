"""Whether this drive was detected, running: its own lines against strays and against drives of other counts."""
