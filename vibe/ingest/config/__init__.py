"""TOML files that people write: drives, recipes, sidecars; every mistake one sentence with its line."""
