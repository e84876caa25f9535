"""What keeps a stranger's solver from doing harm: its answers are checked, its faults are named."""
