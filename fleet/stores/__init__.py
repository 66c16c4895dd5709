"""What goes into a compartment: specifications, grades and products."""
