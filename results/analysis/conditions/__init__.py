"""What changes with time, rail, temperature, neighbours and handling."""
