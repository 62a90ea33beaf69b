"""Do a whole task for a person, given open instruments: one function a job."""
