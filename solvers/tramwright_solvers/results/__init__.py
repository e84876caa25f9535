"""What is given back: the Structs of answers."""
