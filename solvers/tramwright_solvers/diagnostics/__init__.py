"""What is wrong with a survey, or not seen by it."""
