"""Hold one command a module, named as the command is."""
