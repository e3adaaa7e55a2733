"""The store of one site: its database, its capture files, and their upkeep."""
