"""How well totals and travels are known, and whether a limit is met."""
