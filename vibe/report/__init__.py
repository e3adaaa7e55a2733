"""Health to JSON, HTML, PDF and pictures. Decides nothing."""
