"""Arithmetic that several rooms share: rows of a stack one at a time, orthogonal bases, grids."""
