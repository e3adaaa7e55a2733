"""Other drives and machines whose lines may be taken for this one's: of other counts, of the same kind, behind it."""
