"""Stand in for the instruments of a bench: part physics, wiring, instruments, servers."""
