"""An invented farm with a year of surveys, for whoever wants to see what there is before he has one of his own."""
