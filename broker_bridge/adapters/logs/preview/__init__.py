"""What a mapping would make of files, and what a first mapping of unknown files may look like. Nothing is written.

statistics  records and takings -> what became what, and what never matched
usage       which columns, fields and words a mapping uses
advice      what would be right where a record was rejected
view        the answer as data
sample      bytes -> encoding and kind of content
shape       text -> settings of a reader
columns     values of a column -> what they may be
clock       texts -> time format, or an open question
look        settings of a reader -> kinds and columns of the samples
draft       all of that -> the text of a first mapping
"""
