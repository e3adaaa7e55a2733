"""Simulated captures and sample sets, made in several processes."""
