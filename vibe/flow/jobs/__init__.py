"""Jobs spread over processes of this machine, or over a cluster."""
