"""The published schemas: what others may build on, generated from the models so that they cannot differ.

json_schema     JSON Schemas of events and bus messages
asyncapi        the channels, operations and messages of the bus as an AsyncAPI 3 document
compatibility   what a change of a schema breaks
files           the table of all files in the folder schemas/
"""
