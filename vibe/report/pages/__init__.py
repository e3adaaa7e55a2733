"""One file per page; the shell around them and what a browser may do with it."""
