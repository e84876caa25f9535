"""Where solves run."""
