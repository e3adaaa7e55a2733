"""PDF: fonts, widths of words, and the process that prints."""
