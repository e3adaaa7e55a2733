"""What the addresses of a desk answer: one file per screen, with what it reads and what it changes."""
