"""A run's wire log, served again: the instruments answer as they did, and the first message that differs is told."""
