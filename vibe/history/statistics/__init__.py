"""Statistics that honour few values, outliers and neighbours that are alike."""
