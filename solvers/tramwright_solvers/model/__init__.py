"""What is sent in: the machine, the survey, the options; and what a mechanism is."""
