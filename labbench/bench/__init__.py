"""Hold the open bench: what is joined to it, its limits, and the guarded supply."""
