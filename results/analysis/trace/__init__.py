"""What one trace says by itself: edge, settled voltage, time constant, release time."""
