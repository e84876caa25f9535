"""The line from readings to answer, prepared once for a geometry and applied to stacks of surveys."""
