"""Answers as plain text for people."""
