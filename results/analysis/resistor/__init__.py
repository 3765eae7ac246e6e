"""The resistor to fit: what is safe, what to recommend, and how near the fold it is."""
