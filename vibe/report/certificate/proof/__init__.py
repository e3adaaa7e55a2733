"""Keys, signatures, and what compares a copy of a certificate with its record."""
