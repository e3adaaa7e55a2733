"""What recorders and files do to samples: lost, repeated, overflowed, mislabelled."""
