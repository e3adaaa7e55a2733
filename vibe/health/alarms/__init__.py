"""What exceedances have in common, what explains them, and how urgent they are."""
