"""Captures with known truth, driven by body angles. No other room imports it."""
