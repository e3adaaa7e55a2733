"""Tones by family, one file each. Every function takes solved body speeds and yields tones."""
