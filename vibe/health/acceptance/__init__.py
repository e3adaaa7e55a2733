"""Measured figures against requirements, with their uncertainty."""
