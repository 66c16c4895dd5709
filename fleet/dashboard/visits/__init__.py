"""Pages about the workshop days of a depot."""
