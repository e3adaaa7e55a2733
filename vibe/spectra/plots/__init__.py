"""What pictures and archives are given of a capture."""
