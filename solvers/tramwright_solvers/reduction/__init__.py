"""From readings to gaps and their covariance."""
