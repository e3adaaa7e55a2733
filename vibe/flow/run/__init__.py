"""A recipe over a folder of captures."""
