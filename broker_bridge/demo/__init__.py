"""The demo: the invented plant, live, from machines to a board's history."""
