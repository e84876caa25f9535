"""The order of work: in which parts moves are made, where the dial stands meanwhile, and what a person is told."""
