"""Face people: the terminal."""
