"""The pin's own pull-down: as trials show it, and four ways to it compared."""
