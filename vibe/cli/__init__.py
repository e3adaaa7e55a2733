"""The door: one file per command; parse, call, print."""
