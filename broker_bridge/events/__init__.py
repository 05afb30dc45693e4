"""The schema: every event the bridge knows, its envelope and its identity.

Nothing is imported here on purpose: readers of the record (`fact`) start in a few milliseconds, while the
models (`union` and the family modules) bring pydantic with them. Import the module you need.

    ids         what names an event: generation.position.ordinal.revision
    base        the scalars and the parts that several families share
    envelope    the CloudEvents attributes around the data
    board work material reading inspection station line source      one module a family
    union       the table of all types; parse and dump
    columns     packing of long columns of numbers (paste blocks)
    fact        an event as the readers of the record see it
"""
