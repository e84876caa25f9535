"""What people look at: plain text for the bench."""
