"""One file per format: ``sniff`` looks at the first bytes, ``read`` makes a capture."""
