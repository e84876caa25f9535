"""Several surveys of one machine adjusted together."""
