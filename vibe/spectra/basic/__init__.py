"""Transforms, levels and single lines of samples as they are."""
