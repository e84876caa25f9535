"""The parts in which travels are made: on three that carry, and in rounds."""
