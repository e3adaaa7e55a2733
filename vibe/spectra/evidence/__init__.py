"""Combs of lines, weighed against decoys; combs from outside; traces kept for later."""
