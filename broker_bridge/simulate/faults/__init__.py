"""What goes wrong: the profile, and the faults done to clocks, records, files and connections."""
