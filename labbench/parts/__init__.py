"""Say what a part should be: part types, markings, the user's library."""
