"""A round of a route: its plan, and its captures checked in the field."""
