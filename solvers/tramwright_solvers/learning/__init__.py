"""What the passes before teach of each adjuster, and what it means for the next one."""
