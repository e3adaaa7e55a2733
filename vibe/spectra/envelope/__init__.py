"""Squared envelopes in bands, laid on the angle: spectra, turns, impacts in time."""
