"""Say what readings mean: pure functions of readings, part type and risk. No I/O, no clock."""
