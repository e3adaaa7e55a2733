"""An unknown drive from its signal alone."""
