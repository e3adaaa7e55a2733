"""The drives of a type against one another."""
