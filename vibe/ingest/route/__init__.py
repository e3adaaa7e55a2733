"""Captures of a route: whose they are, what is wrong with them, what is missing."""
