"""Which line belongs to whom, and how much of a level each owner makes."""
