"""One short file per check of a channel."""
