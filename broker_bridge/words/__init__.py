"""Answers in words that can be read aloud: one wording for terminal, pages and reports. Pure."""
