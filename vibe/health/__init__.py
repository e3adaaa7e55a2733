"""Findings and levels to state, urgency and advice."""
