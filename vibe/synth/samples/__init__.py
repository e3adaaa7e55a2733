"""Sample captures, made again from their recipes: demo, round of a route, new drives, years."""
