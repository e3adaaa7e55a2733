"""Machines around a simulated drive."""
