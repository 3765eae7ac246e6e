"""What repeats say: stuck rates, scatter, spread over the pins."""
