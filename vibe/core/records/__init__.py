"""What is kept over the years and decided about it: captures, alarms, populations, acceptance."""
