"""A store: captures into it; series, changes, pages, populations and reliability out of it."""
