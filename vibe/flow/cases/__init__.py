"""Cases as people work on them: rows of all sites, what stands behind each, what is decided."""
