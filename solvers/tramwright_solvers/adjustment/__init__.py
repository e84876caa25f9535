"""From gap, influence and conditions to travels."""
