"""Drive -> body speeds -> tones, exactly. Never sees a sample."""
