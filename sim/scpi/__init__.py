"""A SCPI engine: IEEE 488.2 program messages, the SCPI-99 command tree, status, error queue."""
