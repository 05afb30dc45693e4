"""The one reader: record, index and trace put together into answers.

record    open a record, and its index at the commit that is asked for
boards    the history of a board, panel or assembly
paste     paste values, pad by pad, on demand
"""
