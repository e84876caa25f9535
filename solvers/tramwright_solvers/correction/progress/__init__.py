"""Work under way: what the steps carried out since the survey did, told from the dial, and the rest of the work."""
