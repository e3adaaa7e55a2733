"""Pictures: still ones as SVG, zooming ones as documents of plain values."""
