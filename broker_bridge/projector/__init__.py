"""Keeps an index of the record: who is named where, what ties names together, what may be missing when.

The index is a file of its own beside the record. It holds nothing that is not in the record, so it can be deleted
at any time: whoever needs it next makes it anew.

    schema      its tables
    entries     pure: what one fact adds to the index
    index       reads it
    builder     from the record into the index, some whole commits a transaction; catches up for one question
    projector   the role that keeps it up while the plant runs
"""
