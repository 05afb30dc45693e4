"""IPC-2591 (CFX) on the wire: pure.

packing     bytes of an AMQP body to JSON text: raw, gzip, deflate, within limits
envelope    JSON text to envelopes, each with its own bytes; what is none is `Broken`
node        a JSON object read field by field, remembering which fields were read
scalars     .NET's spellings of time, time span, number, identifier
words       the standard's enumerations, by name or number
names       the standard's messages
writing     envelopes to bytes and AMQP properties
"""
