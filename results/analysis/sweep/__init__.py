"""A forced-voltage sweep: net pin current over voltage, G_req, and whether it agrees with the trials."""
