"""The uncertainty budgets of a pin: the models of its numbers by their sources of error."""
