"""What is kept of captures over the years: store, baselines, limits, trends, decisions. Knows no other room."""
