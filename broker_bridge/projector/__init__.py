"""Keeps an index of the record: who is named where, what ties names together, what may be missing when.

The index is a file of its own beside the record. It can be deleted at any time: it is rebuilt from the record.

    schema      its tables
    entries     pure: what one fact adds to the index
    projector   follows the record's commits
    index       reads it
"""
