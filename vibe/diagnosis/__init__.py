"""Tones and evidence to findings, one short file per kind of rule. Never touches a sample array."""
