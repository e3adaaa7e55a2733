"""Combs of other machines: sought among all orders, traced to their fundamental, kept from the parts of the drive."""
