"""What the service offers: questions, solvers, examples."""
