"""Keeps an index of the record, and what is derived from the histories of boards.

The index tells who is named where, what ties names together, what may be missing when, and what stations had set up.

The index is a file of its own beside the record. It holds nothing that is not in the record, so it can be deleted
at any time: whoever needs it next makes it anew.

    schema      its tables
    entries     pure: what one fact adds to the index
    index       reads it
    builder     from the record into the index, some whole commits a transaction; catches up for one question
    holding     of some events the ones that hold
    supply      what stations had set up, read through the index as the trace asks for it
    rows        pure: what a history adds to the derived tables
    settled     writes the derived tables: what is dirty, cluster by cluster
    derived     reads them: who carries what, who passed where
    projector   the role that keeps it up while the plant runs
"""
