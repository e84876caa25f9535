"""What surveys of one machine over months tell: slow drift, sudden changes, and when the limit will be passed."""
