"""The record: the events as received, their hashes, and what is known of every source's numbers."""
