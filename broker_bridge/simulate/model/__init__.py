"""What happens on the line: a discrete-event model, pure, in seconds of plant time."""
