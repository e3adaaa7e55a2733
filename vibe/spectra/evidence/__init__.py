"""Combs of lines, weighed against decoys; traces kept for later."""
