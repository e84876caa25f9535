"""Batches: one survey a line in, one answer a line out, over HTTP or from files, on this host or on a cluster."""
