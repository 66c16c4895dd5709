"""Units: what is accepted, mapped and refused."""
