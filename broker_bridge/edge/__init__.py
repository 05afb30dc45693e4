"""The part that stands near the machines: outbox, raw archive, forwarder, supervisor.

outbox      every event that was taken in, on disk, until a record has it
archive     raw files and long messages, by their hash
plan        pure: what of one source is to be sent next
forwarder   outbox to broker, receipts back
requests    what people ask of a source, kept on disk until it is answered
supervisor  runs the adapters; one that fails does not stop the others
"""
