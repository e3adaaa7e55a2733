"""The shared words: frozen values that cross rooms, the error family, units."""
