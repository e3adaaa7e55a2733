"""A commissioning set to an acceptance and a certificate."""
