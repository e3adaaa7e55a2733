"""Samples to spectra, order domain, maps and evidence at given orders. Never knows what a drive is."""
