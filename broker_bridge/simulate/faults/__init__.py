"""What goes wrong: the faults of a profile, done to records, files and connections."""
