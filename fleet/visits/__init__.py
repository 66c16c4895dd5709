"""Workshop days: which vehicle comes in on which day, and what is done together."""
