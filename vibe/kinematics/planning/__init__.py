"""What a capture can show of each tone, and the settings that show the most."""
