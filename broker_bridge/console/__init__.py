"""What a person watches in a terminal: the ears, the keys and the drawing around the pure picture of `live`.

feed        the bus and the record to one stream without holes and doubles
message     one bus message to events and states
streaming   one line an event, and a line whenever something is gone or back
fullscreen  the whole screen, drawn anew twice a second
screen      the view as lines of text
desk        what the person at the screen has chosen
keyboard    single keys, and the terminal as it was before
lines       an event as one line
past        the last boards at a station
report      what is printed once
since       a point in the past as a person types it
"""
