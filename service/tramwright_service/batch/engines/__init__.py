"""Where a batch is answered: worker processes on this host, or a cluster."""
