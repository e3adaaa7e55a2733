"""Whose lines these are: this drive's, this point's, or those of a kind yet to be found."""
