"""What commands share: arguments, exit status, output, progress."""
