"""Checks of a channel, one file per group. Each looks at prepared samples and gives reasons."""
