"""Surveys at several bed heights: how the tilt grows, and the lead error of each screw."""
