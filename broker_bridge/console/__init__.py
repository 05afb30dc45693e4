"""What a person watches in a terminal: the ears and the lines around the pure sentences of `live`.

    feed        the bus and the record to one stream without holes and doubles
message     one bus message to events and states
lines       an event as one line
streaming   one line an event, and a line whenever something is gone or back
"""
