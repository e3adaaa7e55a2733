"""Whose lines these are: this drive's, another's, or those of a kind yet to be found."""
