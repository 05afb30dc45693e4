"""The commands, one module each; `main` is the table of them.

Modules import what they need inside `run`: a person who asks for help should not wait for a database driver.
"""
