"""Surveys by the thousand: lines in, lines out, over HTTP or from files, on this host or on a cluster."""
