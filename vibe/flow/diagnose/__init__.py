"""From the captures of one drive to its health report."""
