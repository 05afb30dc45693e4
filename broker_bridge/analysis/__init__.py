"""Pure: what many boards say together. Columns in, frozen results out; no file, no clock, no chance without a seed.

A function takes plain sequences or numpy arrays, one entry a row, and the rows' keys; its answer holds the denominator, an
interval and the keys behind each number. Where data are too few the answer is `intervals.Refused`, a value with its
reason; a call that makes no sense raises UsageError.
"""
