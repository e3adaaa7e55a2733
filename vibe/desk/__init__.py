"""The analyst's desk: the queue and all behind it as pages of a server on this machine."""
