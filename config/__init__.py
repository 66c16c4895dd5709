"""How the program is set up and started."""
