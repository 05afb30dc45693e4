"""Mapping files: native records -> statements. Pure; the file's language is ours and runs no code."""
