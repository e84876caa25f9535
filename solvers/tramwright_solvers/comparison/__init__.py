"""Two surveys of one machine: what changed, in which terms and adjusters, and is it more than noise."""
